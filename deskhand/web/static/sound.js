// @ts-check
// The sound of a page. All of it goes through one gain, whose level the slider shows, and one thing sounds at a time.

/** Cross-fade and changes of gain take this long: too short to hear as a fade, too long for a click. Common practice, no source. */
export const FADE_S = 0.012;
/** What starts rises and what stops falls for this long: one period of 50 Hz, so that a bass does not click either. Common practice, no source. */
const EDGE_S = 0.02;
/** Gains are told their course this long ahead: more than browsers work out at a time. Common practice, no source. */
const SOON_S = 0.015;
/** Name under which a session of the browser keeps the level from page to page. */
const KEPT = "deskhand-level";

/** @param {number} db */
export const fromDb = (db) => 10 ** (db / 20);

const slider = /** @type {HTMLInputElement | null} */ (document.getElementById("loud"));
const stopButton = /** @type {HTMLButtonElement | null} */ (document.getElementById("stop-sound"));

/** The level that is shown and played, in dB. Only a hand on the slider changes it; what the browser puts into the slider does not. */
let levelDb = keptDb();
/** @type {AudioContext | null} */
let shared = null;
/** @type {GainNode | null} */
let volume = null;

/** As it is written in the page, whatever the browser remembers of the slider. */
function startDb() { return Number(slider?.defaultValue ?? -60); }

/** Level at which the page begins: that of the page before, where this one was gone to; low where a page is loaded again or come back to. */
function keptDb() {
  const [load] = /** @type {PerformanceNavigationTiming[]} */ (performance.getEntriesByType("navigation"));
  try {
    const { page, level } = JSON.parse(sessionStorage.getItem(KEPT) ?? "{}");
    const goesOn = load?.type === "navigate" && page !== location.pathname && Number.isFinite(level);
    return goesOn ? Math.min(level, 0) : startDb();
  } catch {
    return startDb(); // a browser that keeps nothing
  }
}

/** @param {number} db */
function setLevel(db) {
  levelDb = Math.min(db, 0);
  try {
    if (slider) sessionStorage.setItem(KEPT, JSON.stringify({ page: location.pathname, level: levelDb }));
  } catch { /* a browser that keeps nothing */ }
  if (slider) {
    slider.value = String(levelDb);
    if (slider.nextElementSibling) slider.nextElementSibling.textContent = `${levelDb} dB`;
  }
  if (volume) glide(volume.gain, fromDb(levelDb), volume.context.currentTime);
}

/** Bring a gain to a value without a click. @param {AudioParam} param @param {number} value @param {number} when */
export function glide(param, value, when) {
  // what was asked for a moment ago is held where it is, so that quick switching does not jump
  if (param.cancelAndHoldAtTime) param.cancelAndHoldAtTime(when);
  else param.cancelScheduledValues(when);
  param.setTargetAtTime(value, when, FADE_S / 4);
}

/** A gain that is shut before what it leads starts, and when it stops. @param {BaseAudioContext} context */
export function gate(context) {
  const node = context.createGain();
  const { gain } = node;
  gain.value = 0;
  gain.setValueAtTime(0, 0);
  /** Course of the gain, in straight lines: [when, value]. @type {number[][]} */
  let course = [[0, 0]];
  const valueAt = (/** @type {number} */ when) => {
    const next = course.findIndex(([time]) => time > when);
    if (next < 0) return course[course.length - 1][1];
    const [[from, first], [to, second]] = course.slice(next - 1, next + 1);
    return first + (second - first) * (when - from) / (to - from);
  };
  /** Go on along other lines from a moment on. @param {number} from @param {number[][]} lines */
  function follow(from, lines) {
    lines = [[from, valueAt(from)], ...lines];
    course = [...course.filter(([time]) => time < from), ...lines];
    gain.cancelScheduledValues(from);
    for (const [when, value] of lines) gain.linearRampToValueAtTime(value, when);
  }
  // a course that began in the past would begin with a jump
  const soon = () => context.currentTime + SOON_S;
  return {
    node,
    /** Rise from silence at a moment; what sounds until then falls. @param {number} when */
    open(when) {
      const begin = Math.min(soon(), when);
      follow(begin, [[Math.min(begin + EDGE_S, when), 0], [when, 0], [when + EDGE_S, 1]]);
    },
    /** Fall to silence. @returns {number} when it is silent */
    shut() {
      const begin = soon();
      follow(begin, [[begin + EDGE_S, 0]]);
      return begin + EDGE_S;
    },
    /** Fall to silence by a later moment. @param {number} end */
    end(end) { follow(end - EDGE_S, [[end, 0]]); },
  };
}

/** When something can start: what sounded before is silent by then. @param {BaseAudioContext} context */
export const nextStart = (context) => context.currentTime + SOON_S + EDGE_S;

/** Set a gain before something starts. @param {AudioParam} param @param {number} value @param {number} when */
export function preset(param, value, when) {
  // a glide stands still while nothing plays, and would begin with the sound, at the level of before
  param.cancelScheduledValues(0);
  param.setValueAtTime(value, when);
}

/** Bring the page's gain to the level that is shown, before something starts. */
export function presetLevel() { if (volume) preset(volume.gain, fromDb(levelDb), volume.context.currentTime); }

/**
 * The page's context, at the rate of its sounds: at another one the browser would resample them.
 * @param {number} [rate] that of the show, when not given
 * @returns {AudioContext}
 */
export function contextAt(rate = Number(slider?.dataset.rate)) {
  if (shared === null || shared.sampleRate !== rate) {
    const old = shared;
    // what falls silent there is let to
    setTimeout(() => old?.close(), 4000 * EDGE_S);
    shared = new AudioContext({ sampleRate: rate });
    volume = shared.createGain();
    volume.gain.value = fromDb(levelDb);
    volume.connect(shared.destination);
  }
  return shared;
}

/** Where everything that sounds on the page is connected to. @param {AudioContext} context of `contextAt` @returns {AudioNode} */
export function output(context) {
  if (volume === null || volume.context !== context) throw new Error("a context of another place");
  return volume;
}

/** @param {BaseAudioContext} context @param {string} url @returns {Promise<AudioBuffer>} */
export async function fetched(context, url) {
  const answer = await fetch(url);
  if (!answer.ok) throw new Error(answer.statusText);
  return await context.decodeAudioData(await answer.arrayBuffer());
}

/** What sounds, or is being fetched to sound. @typedef {{ readonly held: boolean, end: () => void }} Turn */
/** @type {Turn | null} */
let current = null;

/**
 * Stop what sounds and take its place, before anything is fetched: the last press wins.
 * @param {() => void} stop called once, when something else is to sound, Stop is pressed, or the page is left
 * @returns {Turn}
 */
export function takeTurn(stop) {
  current?.end();
  const turn = {
    held: true,
    end() {
      if (!turn.held) return;
      turn.held = false;
      current = null;
      stop();
      if (stopButton) stopButton.disabled = true;
    },
  };
  current = turn;
  if (stopButton) stopButton.disabled = false;
  return turn;
}

/** Stop what sounds. */
export function stopSound() { current?.end(); }

/**
 * Play a file in a turn of its own.
 * @param {string | ((context: BaseAudioContext) => Promise<AudioBuffer>)} file its address, or what gets it
 * @param {{ loop?: boolean, from?: number, stop?: () => void }} [how] `loop` plays it over and over, the first time from `from` on, in seconds
 * @returns {Promise<void>}
 */
export async function playFile(file, { loop = false, from = 0, stop } = {}) {
  /** @type {{ source: AudioBufferSourceNode, edges: ReturnType<typeof gate> } | null} */
  let played = null;
  const turn = takeTurn(() => { played?.source.stop(played.edges.shut()); stop?.(); });
  try {
    const context = contextAt();
    await context.resume();
    const buffer = typeof file === "string" ? await fetched(context, file) : await file(context);
    if (!turn.held) return;
    const [source, edges] = [context.createBufferSource(), gate(context)];
    played = { source, edges };
    source.buffer = buffer;
    source.loop = loop;
    source.addEventListener("ended", () => { turn.end(); edges.node.disconnect(); });
    source.connect(edges.node).connect(output(context));
    presetLevel();
    const when = nextStart(context);
    edges.open(when);
    if (!loop) edges.end(when + Math.max(buffer.duration - from, 2 * EDGE_S));
    source.start(when, from);
  } catch (error) {
    turn.end();
    throw error;
  }
}

slider?.addEventListener("input", () => setLevel(Number(slider.value)));
stopButton?.addEventListener("click", stopSound);
// a page that is being left falls silent before the browser cuts it off, and stays so where the browser keeps it
addEventListener("beforeunload", stopSound);
addEventListener("pagehide", stopSound);
// one that the browser kept whole starts low; into one that is loaded it may have put a slider of before
addEventListener("pageshow", (event) => setLevel(event.persisted ? startDb() : levelDb));
setLevel(levelDb);
