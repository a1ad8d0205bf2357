// @ts-check
// What every page needs: asking the server, saying what went wrong, hearing a moment, work that takes time, dark and light.
import { playFile, stopSound } from "./sound.js";

/** @param {string} id @returns {any} */
export const by = (id) => document.getElementById(id);

/** The show this page is about. @returns {string} */
export const show = () => document.body.dataset.show ?? "";

export class Problem extends Error {
  /** @param {string} said @param {number} status @param {any} data */
  constructor(said, status, data) { super(said); this.status = status; this.data = data; }
}

/**
 * Ask the server.
 * @param {string} path @param {any} [data] posted as JSON when given
 * @param {AbortSignal} [signal]
 * @returns {Promise<any>}
 */
export async function ask(path, data, signal) {
  let answer;
  try {
    answer = await fetch(path, data === undefined ? { signal } : {
      method: "POST", signal, headers: { "content-type": "application/json", "x-deskhand": "1" }, body: JSON.stringify(data),
    });
  } catch (error) {
    if (error instanceof DOMException && error.name === "AbortError") throw error;
    throw new Problem(document.body.dataset.offline ?? "", 0, {});
  }
  const found = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Problem(found.problem ?? answer.statusText, answer.status, found);
  return found;
}

/** Say something at the top of the page. @param {string} text @param {boolean} [bad] */
export function say(text, bad = false) {
  const said = by("said");
  said.textContent = text;
  said.hidden = !text;
  said.classList.toggle("bad", bad);
}

/** @param {unknown} error */
export const sayProblem = (error) => say(error instanceof Error ? error.message : String(error), true);

/** Put values into words like "Trial {at} of {of}". @param {string} words @param {Record<string, string | number>} values */
export const filled = (words, values) => words.replace(/\{(\w+)\}/g, (all, name) => String(values[name] ?? all));

/** Follow work until it is over. @param {string} job @param {HTMLElement} box @returns {Promise<string>} where it led */
export async function follow(job, box) {
  box.hidden = false;
  const bar = /** @type {HTMLProgressElement} */ (box.querySelector("progress"));
  const stop = /** @type {HTMLButtonElement | null} */ (box.querySelector("[data-stop]"));
  const end = () => { ask("/api/stop", { job }).catch(sayProblem); };
  stop?.addEventListener("click", end);
  try {
    for (;;) {
      const { state, share, said } = await ask(`/api/jobs/${job}`);
      bar.value = share;
      if (state === "done") return said;
      if (state === "failed") throw new Problem(said, 0, {});
      await new Promise((done) => setTimeout(done, 300));
    }
  } finally {
    stop?.removeEventListener("click", end);
    box.hidden = true;
  }
}

/** @type {{ url: string, button?: Element } | null} */
let clip = null;

/** Hear a moment; the same again stops it. @param {string} url @param {Element} [button] */
export function hear(url, button) {
  if (clip?.url === url) { stopSound(); return; }
  const own = { url, button };
  const played = playFile(url, { stop: () => { button?.classList.remove("playing"); if (clip === own) clip = null; } });
  clip = own;
  button?.classList.add("playing");
  played.catch(sayProblem);
}

/** The moment a click on a picture of time means; null beside it. @param {MouseEvent} event @returns {number | null} */
export function momentOf(event) {
  const svg = /** @type {Element} */ (event.target).closest("svg");
  if (!svg || !(svg instanceof SVGSVGElement) || svg.dataset.length === undefined) return null;
  const box = svg.getBoundingClientRect();
  const x = (event.clientX - box.left) / box.width * svg.viewBox.baseVal.width;
  const [left, right] = [Number(svg.dataset.left), Number(svg.dataset.right)];
  const share = Math.min(Math.max((x - left) / (right - left), 0), 1);
  return Number(svg.dataset.start) + share * Number(svg.dataset.length);
}

document.addEventListener("click", (event) => {
  const target = /** @type {HTMLElement} */ (event.target);
  const button = target.closest("[data-hear]");
  if (button instanceof HTMLElement) { hear(button.dataset.hear ?? "", button); return; }
  const line = target.closest("[data-line]");
  if (line instanceof HTMLElement && line.id !== "time") {
    const at = momentOf(event);
    if (at !== null) hear(`${line.dataset.line}?at=${at.toFixed(2)}&for=2`, line);
  }
});

document.querySelectorAll("[data-leave], [data-raise]").forEach((button) => {
  if (!(button instanceof HTMLElement)) return;
  button.addEventListener("click", async () => {
    const leave = button.dataset.leave !== undefined;
    try {
      const { to } = await ask(leave ? "/api/leave" : "/api/raise", { id: show(), finding: button.dataset.leave ?? button.dataset.raise });
      location.assign(to);
    } catch (error) { sayProblem(error); }
  });
});

document.querySelectorAll("[data-tick], [data-decline], [data-untick]").forEach((button) => {
  if (!(button instanceof HTMLButtonElement)) return;
  button.addEventListener("click", async () => {
    const { tick, decline, untick } = button.dataset;
    button.disabled = true;
    try {
      const { to } = untick === undefined
        ? await ask("/api/tick", { id: show(), move: tick ?? decline, declined: tick === undefined })
        : await ask("/api/untick", { id: show(), number: Number(untick) });
      location.assign(to);
    } catch (error) { button.disabled = false; sayProblem(error); }
  });
});

/** Change the handover, and look at it again. @param {any} data */
async function handOver(data) {
  try { await ask("/api/handover", data); location.hash = "handover"; location.reload(); } catch (error) { sayProblem(error); }
}
for (const [name, act] of Object.entries({ jobDone: "done", jobOpen: "open", noteBack: "take-back" })) {
  document.querySelectorAll(`[data-${name.replace(/[A-Z]/g, (letter) => `-${letter.toLowerCase()}`)}]`).forEach((button) => {
    button.addEventListener("click", () => handOver({ act, number: Number(/** @type {HTMLElement} */ (button).dataset[name]) }));
  });
}
by("hand-over")?.addEventListener("submit", (/** @type {SubmitEvent} */ event) => {
  event.preventDefault();
  const form = new FormData(/** @type {HTMLFormElement} */ (event.target));
  const button = /** @type {HTMLButtonElement | null} */ (event.submitter);
  handOver({ act: "leave", id: show(), text: form.get("text"), source: form.get("source"), by: form.get("by"), job: button?.value === "yes" });
});

document.querySelectorAll("[data-check]").forEach((button) => button.addEventListener("click", async () => {
  try {
    const { job } = await ask("/api/check", { id: /** @type {HTMLElement} */ (button).dataset.check });
    location.assign(await follow(job, by("job")));
  } catch (error) { sayProblem(error); }
}));

by("keep")?.addEventListener("submit", async (/** @type {SubmitEvent} */ event) => {
  event.preventDefault();
  const form = new FormData(/** @type {HTMLFormElement} */ (event.target));
  try {
    // which of two buttons it was: what is at fault left out, or kept
    const button = /** @type {HTMLButtonElement | null} */ (event.submitter);
    const listed = JSON.parse(/** @type {HTMLFormElement} */ (event.target).dataset.listed ?? "[]");
    const { job } = await ask("/api/keep", { id: show(), note: form.get("note"), by: form.get("by"), faults: button?.value || null, listed });
    goTo(await follow(job, by("keep-job")));
  } catch (error) { sayProblem(error); }
});

/** Go to an address of this site; to the page that is open already, too. @param {string} to */
function goTo(to) {
  const target = new URL(to, location.href);
  const same = target.pathname === location.pathname;
  location.assign(target);
  if (same) location.reload();
}

document.querySelectorAll("[data-forget], [data-restore]").forEach((button) => {
  if (!(button instanceof HTMLElement)) return;
  button.addEventListener("click", async () => {
    const forget = button.dataset.forget !== undefined;
    try {
      const { to } = await ask(forget ? "/api/forget" : "/api/restore", { id: show(), take: Number(button.dataset.forget ?? button.dataset.restore) });
      goTo(to);
    } catch (error) { sayProblem(error); }
  });
});

by("rename")?.addEventListener("submit", async (/** @type {SubmitEvent} */ event) => {
  event.preventDefault();
  const form = new FormData(/** @type {HTMLFormElement} */ (event.target));
  try {
    const { to } = await ask("/api/rename", { of: form.get("of"), name: form.get("name") });
    goTo(to);
  } catch (error) { sayProblem(error); }
});

by("measure-again")?.addEventListener("click", async () => {
  try {
    const { job } = await ask("/api/measure-again", {});
    goTo(await follow(job, by("job")));
  } catch (error) { sayProblem(error); }
});

// dark and light: as the system has it, until somebody chooses
const light = by("light");
const system = matchMedia("(prefers-color-scheme: dark)");
const isDark = () => (document.documentElement.dataset.light ?? (system.matches ? "night" : "day")) === "night";
const stored = localStorage.getItem("light");
if (stored === "night" || stored === "day") document.documentElement.dataset.light = stored;
if (light) {
  const name = () => { light.textContent = isDark() ? light.dataset.light : light.dataset.dark; };
  light.hidden = false;
  name();
  light.addEventListener("click", () => {
    document.documentElement.dataset.light = isDark() ? "day" : "night";
    localStorage.setItem("light", document.documentElement.dataset.light);
    name();
  });
}

// a recording that appears is asked about; a page that is not looked at does not ask
const news = by("news");
if (news) setInterval(async () => {
  if (document.hidden) return;
  const found = (await ask("/api/news").catch(() => ({}))).new;
  if (!found || !news.hidden) return;
  const text = document.createElement("p");
  const link = document.createElement("a");
  link.href = `/recordings#${found.id}`;
  link.textContent = found.question;
  text.append(link);
  news.replaceChildren(text);
  news.hidden = false;
}, 5000);

// what is ticked before leaving stays ticked when this show's page is opened again, in this browser
document.querySelectorAll("[data-leaving]").forEach((box) => {
  if (!(box instanceof HTMLInputElement)) return;
  const kept = `leaving ${show()} ${box.dataset.leaving}`;
  try {
    box.checked = localStorage.getItem(kept) !== null;
    box.addEventListener("change", () => { if (box.checked) localStorage.setItem(kept, "1"); else localStorage.removeItem(kept); });
  } catch { /* a browser that keeps nothing: the box can be ticked all the same */ }
});
