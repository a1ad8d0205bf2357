// @ts-check
// A source: its chain as fields, worked out again with every change, both to listen to, and the blind test.
import { ask, by, filled, momentOf, Problem, say, sayProblem, show } from "./page.js";
import { controls, Player } from "./player.js";
import { contextAt, fetched, output, playFile, stopSound } from "./sound.js";

const bench = by("bench");
if (bench) begin();

function begin() {
  const words = JSON.parse(bench.dataset.words);
  const settings = JSON.parse(bench.dataset.settings);
  /** @typedef {Record<string, any>} Block */
  /** @type {Block[]} */
  let chain = JSON.parse(bench.dataset.chain);
  let base = { chain: structuredClone(chain), fader: bench.dataset.fader };
  let start = Number(bench.dataset.start);
  /** @type {string[]} */
  const past = [];
  /** @type {AbortController | null} */
  let running = null;
  /** @type {any} */
  let result = null;
  /** @type {Player | null} */
  let player = null;
  let loaded = "";
  const fader = by("fader");
  const whole = () => JSON.stringify({ chain, fader: fader.value });
  let last = whole();

  // --- the chain as fields

  function draw() {
    const list = by("chain");
    list.replaceChildren(...chain.map((block, place) => {
      const item = document.createElement("li");
      const kind = document.createElement("span");
      kind.className = "kind";
      const title = settings.names[block.block] ?? block.block;
      kind.textContent = title;
      const does = document.createElement("div");
      does.className = "does";
      const keys = document.createElement("div");
      keys.className = "keys";
      const offered = settings.keys[block.block] ?? [];
      for (const name of new Set([...offered, ...Object.keys(block).filter((one) => one !== "block")])) {
        const label = document.createElement("label");
        label.textContent = settings.words[name] ?? name;
        const input = document.createElement("input");
        input.value = block[name] ?? "";
        input.autocomplete = "off";
        input.placeholder = settings.defaults[block.block]?.[name] ?? "";
        input.dataset.key = name;
        input.addEventListener("change", () => {
          const text = input.value.trim();
          if (text === "") delete block[name];
          else block[name] = /^-?\d+(\.\d+)?$/.test(text) ? Number(text) : text;
          changed();
        });
        label.append(input);
        keys.append(label);
      }
      if (place > 0) keys.append(button(words.up, `${words.up}: ${title}`, () => { chain.splice(place - 1, 0, ...chain.splice(place, 1)); changed(true); }));
      keys.append(button(words.out, `${words.out}: ${title}`, () => { chain.splice(place, 1); changed(true); }));
      item.append(kind, does, keys);
      return item;
    }));
    const start = by("start-row");
    if (start) start.hidden = chain.length > 0;
    if (!chain.length) {
      const none = document.createElement("li");
      none.textContent = words.empty;
      list.append(none);
    }
  }

  /** @param {string} text @param {string} label @param {() => void} act */
  function button(text, label, act) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "quiet-button";
    made.textContent = text;
    made.setAttribute("aria-label", label);
    made.addEventListener("click", act);
    return made;
  }

  /** @param {boolean} [shape] whether blocks came or went */
  function changed(shape = false) {
    const now = whole();
    if (now === last) return;
    past.push(last);
    last = now;
    by("undo").disabled = false;
    if (shape) draw();
    work();
  }

  // --- what it does

  async function work() {
    running?.abort();
    running = new AbortController();
    by("busy").textContent = words.waiting;
    const asked = performance.now();
    try {
      const found = await ask("/api/try", { id: show(), source: bench.dataset.source, chain, start_s: start }, running.signal);
      result = found;
      tell();
      by("busy").textContent = "";
      by("problem").hidden = true;
      document.querySelectorAll("#chain > li.bad").forEach((one) => one.classList.remove("bad"));
      bench.dataset.tookMs = String(Math.round(performance.now() - asked));
      bench.dataset.tried = found.id;
      if (player?.playing) await ready();
    } catch (error) {
      if (error instanceof DOMException) return;
      by("busy").textContent = "";
      by("problem").textContent = error instanceof Error ? error.message : String(error);
      by("problem").hidden = false;
      const place = /^chain (\d+)/.exec(error instanceof Error ? error.message : "");
      if (place) by("chain").children[Number(place[1]) - 1]?.classList.add("bad");
    }
  }

  function tell() {
    start = result.start_s;
    by("in").textContent = result.in;
    by("tone-words").textContent = result.tone_words;
    by("predicted").textContent = filled(words.predicted, { clock: clock(start) });
    // the pictures are drawn by the server, from numbers, with every name escaped
    by("pic-tone").innerHTML = result.pictures.tone;
    by("pic-width").innerHTML = result.pictures.width_octave_db;
    by("pic-tail").innerHTML = result.pictures.tail_octave_s;
    by("cap-width").hidden = !result.pictures.width_octave_db;
    by("cap-tail").hidden = !result.pictures.tail_octave_s;
    result.steps.forEach((/** @type {any} */ step, /** @type {number} */ place) => {
      const does = by("chain").children[place]?.querySelector(".does");
      if (!does) return;
      does.replaceChildren(...[step.level, step.reduction, step.note].filter(Boolean).map((text) => Object.assign(document.createElement("div"), { textContent: text })));
      does.insertAdjacentHTML("beforeend", step.picture);
    });
    table(by("both"), ["", words.stands, words.tried, ""], result.numbers.map((/** @type {any} */ row) => [row, row.standing, row.tried, row.unit]));
    table(by("folded"), ["", words.stands, words.tried, ""], result.folded.map((/** @type {any} */ row) => [row, row.standing, row.tried, row.unit]));
    by("more-numbers").hidden = !result.folded.length;
    table(by("judged"), ["", words.tried, words.usual, ""], result.judged.map((/** @type {any} */ row) => [row, row.tried, `${row.usual} (${row.range})`, `${row.unit}, ${row.word}`]));
    by("judged").hidden = !result.judged.length;
    matched();
  }

  let count = 0;
  /** @param {HTMLTableElement} into @param {string[]} head @param {any[][]} rows */
  function table(into, head, rows) {
    const line = (/** @type {(string | Node)[]} */ cells, /** @type {string} */ kind) => {
      const row = document.createElement("tr");
      cells.forEach((cell, place) => {
        const made = document.createElement(place === 0 && kind === "td" ? "th" : kind);
        if (place === 0 && kind === "td") made.setAttribute("scope", "row");
        made.append(cell);
        row.append(made);
      });
      return row;
    };
    const [top, body] = [document.createElement("thead"), document.createElement("tbody")];
    const titles = line(head, "td");
    titles.firstElementChild?.replaceWith(document.createElement("td"));
    top.append(titles);
    body.append(...rows.map(([row, ...cells]) => {
      const label = document.createElement("span");
      label.textContent = `${row.label} `;
      if (row.explain) {
        const [ask_, says] = [document.createElement("button"), document.createElement("span")];
        Object.assign(says, { id: `says-${count += 1}`, popover: "auto", className: "says", textContent: row.explain });
        Object.assign(ask_, { type: "button", className: "what", textContent: "?" });
        ask_.setAttribute("popovertarget", says.id);
        ask_.setAttribute("aria-label", `${words.what} ${row.label}`);
        label.append(ask_, says);
      }
      return line([label, ...cells], "td");
    }));
    into.replaceChildren(top, body);
  }

  const clock = (/** @type {number} */ s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;

  // --- listening

  const against = () => /** @type {HTMLInputElement} */ (document.querySelector("input[name=against]:checked")).value;

  function matched() {
    const pair = result?.sound[against()];
    by("matched").textContent = pair ? filled(words.matched, {
      first: words[against()], first_db: (-pair.first.turned_db).toFixed(1), second: words.yours, second_db: (-pair.second.turned_db).toFixed(1),
    }) : words.silent;
    by("play").disabled = !pair;
    by("choose-first").lastElementChild.textContent = words[against()];
  }

  async function ready() {
    const pair = result?.sound[against()];
    if (!pair) return;
    const name = `${pair.first.url} ${pair.second.url}`;
    if (loaded === name && player) return;
    const context = contextAt(pair.sample_rate_hz);
    const sounds = await Promise.all([fetched(context, pair.first.url), fetched(context, pair.second.url)]);
    const gains = [pair.first.gain_db, pair.second.gain_db];
    if (player && player.context === context) player.change(sounds, gains);
    else { player?.stop(); player = new Player(context, sounds, gains, output(context)); over(); }
    loaded = name;
    Object.assign(window, { deskhandPlayer: player });
  }

  const over = () => player?.over(Number(by("loop-from").value), Number(by("loop-to").value));
  const shown = controls(() => player, ready, words);
  document.querySelectorAll("input[name=against]").forEach((one) => one.addEventListener("change", async () => {
    matched();
    if (player) await ready().catch(sayProblem);
    shown.mark();
  }));
  by("loop-from").addEventListener("change", over);
  by("loop-to").addEventListener("change", over);

  // --- the blind test

  /** @type {any} */
  let blind = null;
  /** Sounds of the test, fetched when a trial begins: all three then start alike. @type {Map<string, Promise<AudioBuffer>>} */
  let blindSounds = new Map();
  let sounding = "";
  /** @param {string} url */
  function blindSound(url) {
    const sound = blindSounds.get(url) ?? fetched(contextAt(), url);
    blindSounds.set(url, sound);
    sound.catch(() => blindSounds.delete(url)); // it is asked for again
    return sound;
  }

  /** Hear one of the three; the same again stops it. @param {string} which */
  function blindPlay(which) {
    if (sounding === which) { stopSound(); return; }
    const played = playFile(() => blindSound(blind[which]), { loop: true, stop: () => { sounding = ""; blindMark(); } });
    sounding = which;
    blindMark();
    played.catch(sayProblem);
  }

  function blindMark() {
    for (const which of ["a", "b", "x"]) by(`blind-${which}`).classList.toggle("playing", sounding === which);
    by("blind-stop").disabled = !sounding;
  }

  function blindTell() {
    by("blind-run").hidden = blind.done;
    by("blind-begin-row").hidden = !blind.done;
    by("blind-at").textContent = filled(words.trial, { at: blind.answered + 1, of: blind.trials });
    by("blind-stretch").textContent = blind.stretch ?? "";
    by("blind-said").textContent = blind.done ? blind.said : "";
    for (const url of blindSounds.keys()) if (![blind.a, blind.b].includes(url)) blindSounds.delete(url);
    if (!blind.done) for (const which of ["a", "b", "x"]) blindSound(blind[which]).catch(() => {}); // said when it is pressed
  }

  by("blind-begin").addEventListener("click", async () => {
    try {
      blind = await ask("/api/blind/start", {
        id: show(), source: bench.dataset.source, chain, start_s: start, against: against(), trials: Number(by("trials").value),
        loop_from_s: Number(by("loop-from").value), loop_to_s: Number(by("loop-to").value),
      });
      blindSounds = new Map();
      stopSound();
      blindTell();
    } catch (error) { sayProblem(error); }
  });
  for (const which of ["a", "b", "x"]) by(`blind-${which}`).addEventListener("click", () => blindPlay(which));
  by("blind-stop").addEventListener("click", stopSound);
  by("blind-quit").addEventListener("click", () => {
    stopSound();
    by("blind-run").hidden = true;
    by("blind-begin-row").hidden = false;
    by("blind-said").textContent = blind.answered ? filled(words.broken_off, { answered: blind.answered, trials: blind.trials }) : "";
  });
  const answers = [by("is-a"), by("is-b")];
  for (const [place, which] of ["a", "b"].entries()) answers[place].addEventListener("click", async () => {
    // the next trial begins in silence, and a second press is no answer to it
    stopSound();
    for (const button of answers) button.disabled = true;
    try {
      blind = await ask("/api/blind/answer", { blind: blind.blind, answer: which });
      blindTell();
    } catch (error) { sayProblem(error); } finally { for (const button of answers) button.disabled = false; }
  });

  // --- undo, the house's, the moves, saving

  /** @param {Block[]} other @param {string} [otherFader] */
  function become(other, otherFader) {
    chain = structuredClone(other);
    if (otherFader !== undefined) fader.value = otherFader;
    draw();
    changed();
  }

  by("undo").addEventListener("click", () => {
    const before = past.pop();
    if (before === undefined) return;
    ({ chain } = JSON.parse(before));
    fader.value = JSON.parse(before).fader;
    last = before;
    by("undo").disabled = !past.length;
    draw();
    work();
  });
  for (const [id, which] of [["house", "house"], ["use-moves", "moves"]]) by(id)?.addEventListener("click", async () => {
    try {
      const found = await ask(`/api/written?id=${show()}&which=${which}&source=${encodeURIComponent(bench.dataset.source)}`);
      become(found.chain, found.fader);
    } catch (error) { sayProblem(error); }
  });
  by("save").addEventListener("click", () => save(base));

  /** @param {{chain: Block[], fader: string}} from what the save starts from */
  async function save(from) {
    try {
      const found = await ask("/api/save", { id: show(), source: bench.dataset.source, chain, fader: fader.value, base: from });
      base = found.base;
      say(found.said);
    } catch (error) {
      if (!(error instanceof Problem) || error.status !== 409) { sayProblem(error); return; }
      const { theirs } = error.data;
      say(words.conflict, true);
      by("said").append(" ", button(words.theirs, words.theirs, () => { base = theirs; become(theirs.chain, theirs.fader); say(""); }),
        button(words.mine, words.mine, () => { base = theirs; save(theirs); }));
    }
  }

  by("start-chain")?.addEventListener("click", () => {
    chain = structuredClone(settings.usual);
    changed(true);
    by("chain").querySelector("input")?.focus();
  });
  by("add").addEventListener("change", () => {
    const kind = by("add").value;
    if (!kind) return;
    chain.push({ block: kind, ...structuredClone(settings.new[kind]) });
    by("add").value = "";
    changed(true);
    by("chain").lastElementChild?.querySelector("input")?.focus();
  });
  fader.addEventListener("change", () => changed());
  by("time")?.addEventListener("click", (/** @type {MouseEvent} */ event) => {
    const at = momentOf(event);
    if (at === null) return;
    start = at;
    work();
  });
  addEventListener("beforeunload", (event) => {
    if (JSON.stringify({ chain, fader: fader.value }) !== JSON.stringify(base)) event.preventDefault();
  });

  draw();
  work();
}
