// @ts-check
// The sound of a page. All of it goes through one gain, whose level the slider shows, and one thing sounds at a time.

/** Cross-fade and changes of gain take this long: too short to hear as a fade, too long for a click. Common practice, no source. */
export const FADE_S = 0.012;

/** @param {number} db */
export const fromDb = (db) => 10 ** (db / 20);

const slider = /** @type {HTMLInputElement | null} */ (document.getElementById("loud"));
const stopButton = /** @type {HTMLButtonElement | null} */ (document.getElementById("stop-sound"));

/** The level that is shown and played, in dB. Only a hand on the slider changes it; what the browser puts into the slider does not. */
let levelDb = startDb();
/** @type {AudioContext | null} */
let shared = null;
/** @type {GainNode | null} */
let volume = null;

/** As it is written in the page, whatever the browser remembers of the slider. */
function startDb() { return Number(slider?.defaultValue ?? -60); }

/** @param {number} db */
function setLevel(db) {
  levelDb = Math.min(db, 0);
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
    shared?.close();
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
 * @param {string} url
 * @param {{ loop?: number[], stop?: () => void }} [how] `loop` plays over and over between two moments, in seconds
 * @returns {Promise<void>}
 */
export async function playFile(url, { loop, stop } = {}) {
  /** @type {AudioBufferSourceNode | null} */
  let source = null;
  const turn = takeTurn(() => { source?.stop(); source?.disconnect(); stop?.(); });
  try {
    const context = contextAt();
    await context.resume();
    const buffer = await fetched(context, url);
    if (!turn.held) return;
    source = context.createBufferSource();
    source.buffer = buffer;
    if (loop) {
      source.loop = true;
      [source.loopStart, source.loopEnd] = loop;
    } else source.addEventListener("ended", turn.end);
    source.connect(output(context));
    presetLevel();
    source.start(0, loop?.[0] ?? 0);
  } catch (error) {
    turn.end();
    throw error;
  }
}

slider?.addEventListener("input", () => setLevel(Number(slider.value)));
stopButton?.addEventListener("click", stopSound);
// a page that is left is silent, and one that is loaded or come back to starts low, whatever the browser kept of it
addEventListener("pagehide", stopSound);
addEventListener("pageshow", () => setLevel(startDb()));
setLevel(startDb());
