// @ts-check
// Two sounds at one loudness, playing at the same time: one is heard, and switching is a short cross-fade between them, so that the
// music goes on without a gap. The graph is the same in an OfflineAudioContext, where it can be measured.
import { sayProblem } from "./page.js";
import { fromDb, gate, glide, nextStart, preset, presetLevel, takeTurn } from "./sound.js";

/** How left and right are made of left and right, for each way to listen: [ll, lr, rl, rr]. @type {Record<string, number[]>} */
const WAYS = {
  stereo: [1, 0, 0, 1],
  mono: [0.5, 0.5, 0.5, 0.5],
  left: [1, 0, 1, 0],
  right: [0, 1, 0, 1],
  mid: [0.5, 0.5, 0.5, 0.5],
  side: [0.5, -0.5, -0.5, 0.5],
  difference: [1, 0, 0, 1],
};

export class Player {
  /**
   * @param {BaseAudioContext} context of the sounds' own sample rate
   * @param {AudioBuffer[]} sounds the first and the second
   * @param {number[]} gainsDb that bring them to one loudness
   * @param {AudioNode} [output] of the page
   */
  constructor(context, sounds, gainsDb, output = context.destination) {
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
    const splitter = context.createChannelSplitter(2);
    const merger = context.createChannelMerger(2);
    this.matrix = [0, 1, 2, 3].map((place) => {
      const gain = context.createGain();
      gain.gain.value = WAYS.stereo[place];
      splitter.connect(gain, place % 2);
      gain.connect(merger, 0, place >> 1);
      return gain;
    });
    this.edges = gate(context);
    merger.connect(this.edges.node).connect(output);
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
  play(when = nextStart(this.context)) {
    if (!this.playing) this.#set(preset, when);
    this.#end(when);
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
    this.edges.open(when);
  }

  stop() { if (this.playing) this.#end(this.edges.shut()); }

  /** What plays ends at a moment, by which it is silent. @param {number} when */
  #end(when) {
    this.startedFrom = this.position;
    for (const source of this.sources) source.stop(when);
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
    this.#set(glide, when);
  }

  /** @param {string} way @param {number} [when] */
  listen(way, when = this.context.currentTime) {
    this.way = way in WAYS ? way : "stereo";
    this.#set(glide, when);
  }

  /** Another pair at the same moment. @param {AudioBuffer[]} sounds @param {number[]} gainsDb */
  change(sounds, gainsDb) {
    const plays = this.playing;
    if (plays) this.stop();
    this.sounds = sounds;
    this.gains = gainsDb.map(fromDb);
    this.loop = [Math.min(this.loop[0], sounds[0].duration - 0.2), Math.min(this.loop[1], sounds[0].duration)];
    this.#set(glide, this.context.currentTime);
    if (plays) this.play();
  }

  /** All gains, as is chosen. @param {(param: AudioParam, value: number, when: number) => void} move @param {number} when */
  #set(move, when) {
    WAYS[this.way].forEach((gain, place) => move(this.matrix[place].gain, gain, when));
    this.faders.forEach((fader, place) => {
      // half of each: where one is the other upside down, their difference is twice as large as either
      const gain = this.way === "difference" ? (place ? -0.5 : 0.5) * this.gains[place] : place === this.heard ? this.gains[place] : 0;
      move(fader.gain, gain, when);
    });
  }
}

/**
 * The controls of a player on a page: play, first, second, switch, how to listen; keys for those who cannot look.
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
  /** @type {import("./sound.js").Turn | null} */
  let turn = null;
  /** Get something ready and play it, unless something else is to sound meanwhile. @param {() => Promise<void>} prepare */
  const start = async (prepare) => {
    const own = takeTurn(() => { player()?.stop(); name(); });
    turn = own;
    try {
      await prepare();
      const loaded = player();
      if (loaded?.context instanceof AudioContext) await loaded.context.resume();
      if (!own.held) return;
      if (!loaded) { own.end(); return; }
      loaded.listen(by("as").value);
      presetLevel();
      loaded.play();
      name();
    } catch (error) {
      own.end();
      sayProblem(error);
    }
  };
  const toggle = () => {
    if (turn?.held) turn.end();
    else start(ready);
  };
  play.addEventListener("click", toggle);
  first.addEventListener("click", () => choose(0));
  second.addEventListener("click", () => choose(1));
  by("switch").addEventListener("click", () => choose(1 - (player()?.heard ?? 0)));
  by("as").addEventListener("change", () => player()?.listen(by("as").value));
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
  return { mark, start };
}
