// @ts-check
// The mixes on the stage, one at a time: typed, written into the house file, and undone.
import { ask, by, Problem, say, sayProblem, show } from "./page.js";

const form = /** @type {HTMLFormElement} */ (by("mix"));
const UNDO = "deskhand-mix-undo";

function typed() {
  /** @type {Record<string, { level: string, after_fader: boolean }>} */
  const sends = {};
  for (const row of form.querySelectorAll("tr[data-source]")) {
    const level = /** @type {HTMLInputElement} */ (row.querySelector('[name="level"]')).value.trim();
    const tick = /** @type {HTMLInputElement} */ (row.querySelector('[name="after_fader"]'));
    if (level) sends[/** @type {HTMLElement} */ (row).dataset.source ?? ""] = { level, after_fader: tick.checked };
  }
  const field = (/** @type {string} */ name) => /** @type {HTMLInputElement} */ (form.elements.namedItem(name)).value;
  return { mix: field("mix"), heard_by: field("heard_by"), sends };
}

/** What was saved, with the way back; it stands on the page of the mix as it is now. @param {string} said @param {string} undo */
function told(said, undo) {
  say(said);
  if (!undo) return;
  const button = Object.assign(document.createElement("button"), { type: "button", textContent: form.dataset.undo });
  button.addEventListener("click", async () => {
    try {
      const back = await ask("/api/mixes/undo", { undo });
      open(back.said, "", form.dataset.before ?? form.dataset.mix ?? "");
    } catch (error) { sayProblem(error); }
  });
  by("said").append(" ", button);
}

/** Show a mix as it stands now, and what was done. @param {string} said @param {string} undo @param {string} mix */
function open(said, undo, mix) {
  try { sessionStorage.setItem(UNDO, JSON.stringify({ said, undo, before: form.dataset.mix })); } catch { /* said nowhere */ }
  location.href = mix ? `?mix=${encodeURIComponent(mix)}` : "?";
}

try {
  const last = JSON.parse(sessionStorage.getItem(UNDO) ?? "null");
  sessionStorage.removeItem(UNDO);
  if (last) { form.dataset.before = last.before; told(last.said, last.undo); }
} catch { /* nothing was saved */ }

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const pressed = /** @type {HTMLButtonElement | null} */ (event.submitter)?.value;
  if (pressed === "out" && !confirm(form.dataset.sure)) return;
  try {
    const saved = await ask("/api/mixes", {
      id: show(), mix: form.dataset.mix, base: JSON.parse(form.dataset.base ?? "{}"), fields: typed(),
      every_week: pressed === "every", take_out: pressed === "out",
    });
    open(saved.said, saved.undo, saved.mix);
  } catch (error) {
    if (!(error instanceof Problem) || error.status !== 409) { sayProblem(error); return; }
    say(form.dataset.conflict ?? "", true);
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: form.dataset.again });
    button.addEventListener("click", () => location.reload());
    by("said").append(" ", button);
  }
});
