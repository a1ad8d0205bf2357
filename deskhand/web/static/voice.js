// @ts-check
// The voice: what gives it room, tried on the phrases of the song, and any moment of the mix to hear.
import { ask, by, filled, momentOf, show } from "./page.js";
import { controls, Player } from "./player.js";
import { contextAt, fetched, output } from "./sound.js";

const room = by("room");
const words = JSON.parse(room.dataset.words);
/** @type {Player | null} */
let player = null;
/** @type {any} */
let pair = null;
/** @type {number | null} */
let moment = null;
/** @type {AbortController | null} */
let running = null;

function settings() {
  /** @type {{mid_down_db: Record<string, number>, fader_db: Record<string, number>, muted: string[]}} */
  const made = { mid_down_db: {}, fader_db: {}, muted: [] };
  document.querySelectorAll("tr[data-name]").forEach((row) => {
    if (!(row instanceof HTMLElement)) return;
    const name = row.dataset.name ?? "";
    const value = (/** @type {string} */ what) => Number(/** @type {HTMLInputElement | null} */ (row.querySelector(what))?.value ?? 0);
    if (value("[data-middle]")) made.mid_down_db[name] = value("[data-middle]");
    if (value("[data-fader]")) made.fader_db[name] = value("[data-fader]");
    if (/** @type {HTMLInputElement | null} */ (row.querySelector("[data-mute]"))?.checked) made.muted.push(name);
  });
  return made;
}

async function work() {
  running?.abort();
  running = new AbortController();
  by("busy").textContent = words.waiting;
  const asked = performance.now();
  try {
    const found = await ask("/api/voice", { id: show(), voice: room.dataset.voice, settings: settings(), at: moment }, running.signal);
    by("voice-line").textContent = found.line;
    by("near").textContent = found.near;
    by("index").textContent = found.index;
    for (const side of ["mono", "left", "right"]) {
      by(`share-${side}`).textContent = found.shares[side];
      by(`pic-${side}`).innerHTML = found.pictures[side];
    }
    by("nowhere").hidden = found.phrases.length > 0;
    by("phrases").replaceChildren(...found.phrases.map((/** @type {any} */ one) => {
      const [item, button] = [document.createElement("li"), document.createElement("button")];
      Object.assign(button, { type: "button", className: "moment", textContent: `${one.clock} ${one.word}${one.by ? `, ${filled(words.by, { by: one.by })}` : ""}` });
      button.dataset.moment = one.at;
      item.append(button);
      return item;
    }));
    by("busy").textContent = "";
    by("problem").hidden = true;
    room.dataset.tookMs = String(Math.round(performance.now() - asked));
    room.dataset.tries = String(Number(room.dataset.tries ?? 0) + 1);
    if (found.sound) await load(found.sound);
  } catch (error) {
    if (error instanceof DOMException) return;
    by("busy").textContent = "";
    by("problem").textContent = error instanceof Error ? error.message : String(error);
    by("problem").hidden = false;
  }
}

/** @param {any} sound */
async function load(sound) {
  pair = sound;
  const context = contextAt(pair.sample_rate_hz);
  const sounds = await Promise.all([fetched(context, pair.first.url), fetched(context, pair.second.url)]);
  if (pair !== sound) return; // another was asked for meanwhile
  const gains = [pair.first.gain_db, pair.second.gain_db];
  if (player && player.context === context) { player.change(sounds, gains); player.loop = [0, sounds[0].duration]; player.startedFrom = player.playing ? player.startedFrom : 0; }
  else player = new Player(context, sounds, gains, output(context));
  for (const id of ["play", "choose-first", "choose-second", "switch"]) by(id).disabled = false;
  by("matched").textContent = filled(words.matched, {
    first: words.first, first_db: (-pair.first.turned_db).toFixed(1), second: words.second, second_db: (-pair.second.turned_db).toFixed(1),
  });
  Object.assign(window, { deskhandPlayer: player });
}

// without a moment it begins where the words are hardest to hear
const shown = controls(() => player, async () => {
  if (player) return;
  moment ??= Number(room.dataset.begin);
  await work();
}, words);

/** @param {number} at in seconds */
function hearMoment(at) {
  moment = at;
  shown.start(async () => {
    await work();
    if (player) player.startedFrom = 0;
  });
}

document.addEventListener("click", (event) => {
  const target = /** @type {HTMLElement} */ (event.target);
  const button = target.closest("[data-moment]");
  if (button instanceof HTMLElement) { hearMoment(Number(button.dataset.moment)); return; }
  if (!target.closest(".voice-time")) return;
  const at = momentOf(event);
  if (at !== null) hearMoment(at);
});
document.querySelectorAll("tr[data-name] input").forEach((one) => one.addEventListener("change", work));
by("stands").addEventListener("click", () => {
  document.querySelectorAll("tr[data-name] input").forEach((one) => {
    if (!(one instanceof HTMLInputElement)) return;
    if (one.type === "checkbox") one.checked = false;
    else one.value = "0";
  });
  work();
});
