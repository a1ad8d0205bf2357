// @ts-check
// The ring-out: a sentence, what rang, the cut that is proposed, one question and its answers; whoever has the page may answer.
import { by } from "./page.js";

// Sooner than that nobody has read the question: a press was meant for the one before. Common practice, no source.
const READ_S = 0.4;

/** @type {(act: string, about: string, text?: string) => Promise<boolean>} */
let request = async () => false;
/** Question before this one, this one, and since when it stands there. */
let before = "", key = "", sinceAt = -Infinity;
/** Question that the level is typed for, so that a new picture does not change it. */
let typedFor = "";

/** Question that a press was meant for. */
const meant = () => (performance.now() - sinceAt < READ_S * 1000 ? before : key);

/** @param {string} id @param {string} text */
function put(id, text) {
  const element = by(id);
  if (element.textContent !== text) element.textContent = text;
  element.hidden = !text;
}

/** Lines of a list, drawn again only where they differ: what is read aloud is read once. @param {string} id @param {string[]} lines */
function list(id, lines) {
  const element = by(id), drawn = JSON.stringify(lines);
  element.hidden = !lines.length;
  if (element.dataset.drawn === drawn) return;
  element.dataset.drawn = drawn;
  element.replaceChildren(...lines.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
}

/** @param {string} id @param {string} before what it comes after */
function place(id, before) {
  if (by(before).nextElementSibling !== by(id)) by(before).after(by(id));
}

/** @param {any} now */
function answers(now) {
  const box = by("ring-answers"), drawn = JSON.stringify([now.key, now.answers]);
  if (box.dataset.drawn === drawn) return;
  const held = box.contains(document.activeElement);
  box.dataset.drawn = drawn;
  box.replaceChildren(...now.answers.map((/** @type {any} */ answer, /** @type {number} */ index) => {
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: answer.label, className: index ? "big" : "strong big" });
    button.addEventListener("click", () => request("ring-answer", meant(), answer.answer));
    return button;
  }));
  // the button that was pressed is gone: the next thing to read is the sentence
  if (held) by("ring-sentence").focus();
}

/** Level that may be typed instead; what somebody types stays until the question is another one. @param {any} now */
function level(now) {
  const form = by("ring-level"), field = /** @type {HTMLInputElement} */ (by("ring-level-text"));
  form.hidden = !now.level;
  if (typedFor === now.key) return;
  const held = form.contains(document.activeElement);
  typedFor = now.key;
  field.value = now.level;
  if (held && !now.level) by("ring-sentence").focus();
}

/** How to begin it, and what was found. @param {any} now */
function door(now) {
  put("ring-begin", now?.open ? "" : now?.begin ?? "");
  put("ring-anew", now?.open ? "" : now?.anew ?? "");
  by("ring-door").hidden = !now || now.open || !(now.found.length || now.anew);
  put("ring-door-title", now?.head_found ?? "");
  list("ring-found-before", now && !now.open ? now.found : []);
}

/** Draw the ring-out; tells whether it is going on. @param {any} now @returns {boolean} */
export function drawRingOut(now) {
  door(now);
  const box = by("ring"), wasHidden = box.hidden;
  box.hidden = !now?.open;
  if (!now?.open) { typedFor = key = before = ""; return false; }
  if (now.key !== key) [before, key, sinceAt] = [key, now.key, performance.now()];
  box.classList.toggle("stop", now.stop);
  // a ring is said at once, everything else when the screen reader has finished
  by("ring-sentence").setAttribute("aria-live", now.stop ? "assertive" : "polite");
  put("ring-title", now.title);
  put("ring-sentence", now.sentence);
  put("ring-rang-head", now.rang.length ? now.head_rang : "");
  list("ring-rang", now.rang);
  put("ring-left", now.left);
  put("ring-cuts-head", now.cuts.length ? now.head_cuts : "");
  list("ring-cuts", now.cuts);
  put("ring-question", now.question);
  answers(now);
  level(now);
  put("ring-level-label", now.label_level);
  put("ring-level-take", now.take_level);
  put("ring-cautions-head", now.cautions.length ? now.head_cautions : "");
  list("ring-cautions", now.cautions);
  // a ring before the question what it was, and all cautions before the first one; below the answers otherwise
  place("ring-facts", now.stop ? "ring-sentence" : "ring-level");
  place("ring-care", now.safe ? "ring-sentence" : now.stop ? "ring-level" : "ring-facts");
  put("ring-leave", now.leave);
  by("ring-leave").classList.toggle("big", !now.answers.length);
  put("ring-found-head", now.found.length ? now.head_found : "");
  list("ring-found", now.found);
  put("ring-come-head", now.to_come.length ? now.head_to_come : "");
  list("ring-come", now.to_come);
  if (wasHidden) { scrollTo(0, 0); by("ring-sentence").focus(); }
  return true;
}

/** @param {(act: string, about: string, text?: string) => Promise<boolean>} ask */
export function beginRingOut(ask) {
  request = ask;
  by("ring-begin").addEventListener("click", () => ask("ring-out", ""));
  by("ring-anew").addEventListener("click", () => ask("ring-out", "", "anew"));
  by("ring-leave").addEventListener("click", () => ask("ring-leave", ""));
  const field = /** @type {HTMLInputElement} */ (by("ring-level-text"));
  by("ring-level").querySelectorAll("[data-by]").forEach((button) => button.addEventListener("click", () => {
    const typed = Number(field.value.replace("−", "-").replace(",", "."));
    if (Number.isFinite(typed)) field.value = String(typed + Number(/** @type {HTMLElement} */ (button).dataset.by));
  }));
  by("ring-level").addEventListener("submit", (event) => {
    event.preventDefault();
    ask("ring-answer", typedFor, field.value);
  });
}
