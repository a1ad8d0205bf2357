// @ts-check
// Two sounds at one loudness, playing at the same time: one is heard, and switching is a short cross-fade between them, so that the
// music goes on without a gap. The graph is the same in an OfflineAudioContext, where it can be measured.

/** Cross-fade and changes of gain take this long: too short to hear as a fade, too long for a click. */
export const FADE_S = 0.012;

/** How left and right are made of left and right, for each way to listen: [ll, lr, rl, rr]. @type {Record<string, number[]>} */
const WAYS = {
  stereo: [1, 0, 0, 1],
  mono: [0.5, 0.5, 0.5, 0.5],
  left: [1, 0, 1, 0],
  right: [0, 1, 0, 1],
  middle: [0.5, 0.5, 0.5, 0.5],
  sides: [0.5, -0.5, -0.5, 0.5],
  difference: [1, 0, 0, 1],
};

/** @param {number} db */
const fromDb = (db) => 10 ** (db / 20);

export class Player {
  /**
   * @param {BaseAudioContext} context of the sounds' own sample rate
   * @param {AudioBuffer[]} sounds the first and the second
   * @param {number[]} gainsDb that bring them to one loudness
   */
  constructor(context, sounds, gainsDb) {
    this.context = context;
    this.sounds = sounds;
    this.gains = gainsDb.map(fromDb);
    this.heard = 0;
    this.way = "stereo";
    /** @type {AudioBufferSourceNode[]} */
    this.sources = [];
    this.startedAt = 0;
    this.startedFrom = 0;
    this.loop = [0, sounds[0].duration];
    this.out = context.createGain();
    this.out.gain.value = fromDb(-30);
    this.out.connect(context.destination);
    const splitter = context.createChannelSplitter(2);
    const merger = context.createChannelMerger(2);
    this.matrix = [0, 1, 2, 3].map((place) => {
      const gain = context.createGain();
      gain.gain.value = WAYS.stereo[place];
      splitter.connect(gain, place % 2);
      gain.connect(merger, 0, place >> 1);
      return gain;
    });
    merger.connect(this.out);
    this.faders = sounds.map((_, place) => {
      const gain = context.createGain();
      gain.gain.value = place ? 0 : this.gains[0];
      gain.connect(splitter);
      return gain;
    });
    this.splitter = splitter;
  }

  get playing() { return this.sources.length > 0; }

  /** Seconds into the sounds. */
  get position() {
    if (!this.playing) return this.startedFrom;
    const [from, to] = this.loop;
    const gone = this.startedFrom + this.context.currentTime - this.startedAt;
    return gone < to || to <= from ? gone : from + (gone - from) % (to - from);
  }

  /** Both begin at the same sample. @param {number} [when] */
  play(when = this.context.currentTime + 0.02) {
    this.stop();
    const [from, to] = this.loop;
    if (this.startedFrom < from || this.startedFrom >= to - 0.01) this.startedFrom = from;
    this.sources = this.sounds.map((sound, place) => {
      const source = this.context.createBufferSource();
      source.buffer = sound;
      source.loop = true;
      [source.loopStart, source.loopEnd] = [from, to];
      source.connect(this.faders[place]);
      source.start(when, this.startedFrom);
      return source;
    });
    this.startedAt = when;
  }

  stop() {
    this.startedFrom = this.playing ? this.position : this.startedFrom;
    for (const source of this.sources) { source.stop(); source.disconnect(); }
    this.sources = [];
  }

  /** Play over and over between two moments. @param {number} from @param {number} to */
  over(from, to) {
    const end = this.sounds[0].duration;
    const first = Math.min(Math.max(from, 0), end - 0.2);
    this.loop = [first, Math.min(Math.max(to, first + 0.2), end)];
    if (this.playing) this.play();
  }

  /** Hear the first (0) or the second (1). @param {number} place @param {number} [when] */
  choose(place, when = this.context.currentTime) {
    this.heard = place;
    this.#fade(when);
  }

  /** @param {string} way @param {number} [when] */
  listen(way, when = this.context.currentTime) {
    this.way = way in WAYS ? way : "stereo";
    WAYS[this.way].forEach((gain, place) => this.#to(this.matrix[place].gain, gain, when));
    this.#fade(when);
  }

  /** @param {number} db @param {number} [when] */
  loudness(db, when = this.context.currentTime) { this.#to(this.out.gain, fromDb(Math.min(db, 0)), when); }

  /** Another pair at the same moment. @param {AudioBuffer[]} sounds @param {number[]} gainsDb */
  change(sounds, gainsDb) {
    const plays = this.playing;
    if (plays) this.stop();
    this.sounds = sounds;
    this.gains = gainsDb.map(fromDb);
    this.loop = [Math.min(this.loop[0], sounds[0].duration - 0.2), Math.min(this.loop[1], sounds[0].duration)];
    this.#fade(this.context.currentTime);
    if (plays) this.play();
  }

  /** @param {number} when */
  #fade(when) {
    this.faders.forEach((fader, place) => {
      const gain = this.way === "difference" ? (place ? -1 : 1) * this.gains[place] : place === this.heard ? this.gains[place] : 0;
      this.#to(fader.gain, gain, when);
    });
  }

  /** @param {AudioParam} param @param {number} value @param {number} when */
  #to(param, value, when) {
    // what was asked for a moment ago is held where it is, so that quick switching does not jump
    if (param.cancelAndHoldAtTime) param.cancelAndHoldAtTime(when);
    else param.cancelScheduledValues(when);
    param.setTargetAtTime(value, when, FADE_S / 4);
  }
}

/** @param {BaseAudioContext} context @param {string} url @returns {Promise<AudioBuffer>} */
export async function fetched(context, url) {
  const answer = await fetch(url);
  if (!answer.ok) throw new Error(answer.statusText);
  return await context.decodeAudioData(await answer.arrayBuffer());
}

/** @type {AudioContext | null} */
let shared = null;

/** One context at the rate of the sounds: at another one the browser would resample them. @param {number} rate @returns {AudioContext} */
export function contextAt(rate) {
  if (shared === null || shared.sampleRate !== rate) {
    shared?.close();
    shared = new AudioContext({ sampleRate: rate });
  }
  return shared;
}

/**
 * The controls of a player on a page: play, first, second, switch, how to listen, how loud; keys for those who cannot look.
 * @param {() => Player | null} player @param {() => Promise<void>} ready called before it plays
 * @param {{play: string, pause: string}} words
 */
export function controls(player, ready, words) {
  const by = (/** @type {string} */ id) => /** @type {any} */ (document.getElementById(id));
  const [play, first, second] = [by("play"), by("choose-first"), by("choose-second")];
  const name = () => { play.textContent = player()?.playing ? words.pause : words.play; };
  const mark = () => {
    first.setAttribute("aria-pressed", String((player()?.heard ?? 0) === 0));
    second.setAttribute("aria-pressed", String((player()?.heard ?? 0) === 1));
  };
  const choose = (/** @type {number} */ place) => { player()?.choose(place); mark(); };
  const toggle = async () => {
    if (player()?.playing) player()?.stop();
    else {
      await ready();
      const one = player();
      if (one && one.context instanceof AudioContext) await one.context.resume();
      one?.loudness(Number(by("loud").value));
      one?.listen(by("as").value);
      one?.play();
    }
    name();
  };
  play.addEventListener("click", toggle);
  first.addEventListener("click", () => choose(0));
  second.addEventListener("click", () => choose(1));
  by("switch").addEventListener("click", () => choose(1 - (player()?.heard ?? 0)));
  by("as").addEventListener("change", () => player()?.listen(by("as").value));
  by("loud").addEventListener("input", () => { by("loud-said").textContent = `${by("loud").value} dB`; player()?.loudness(Number(by("loud").value)); });
  document.addEventListener("keydown", (event) => {
    const inField = event.target instanceof HTMLElement && event.target.closest("input, select, textarea, button, a, summary, [popover]");
    if (inField || event.ctrlKey || event.metaKey || event.altKey || play.disabled) return;
    const key = event.key.toLowerCase();
    if (key === " ") { event.preventDefault(); toggle(); }
    else if (key === "s") choose(1 - (player()?.heard ?? 0));
    else if (key === "1") choose(0);
    else if (key === "2") choose(1);
  });
  const draw = () => {
    const one = player();
    if (one?.playing) by("where-now").value = one.position / one.sounds[0].duration;
    requestAnimationFrame(draw);
  };
  draw();
  return { mark, name };
}
