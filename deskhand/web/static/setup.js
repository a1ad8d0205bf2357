// @ts-check
// The set-up of a source: what is plugged in and how, typed once and written into the house file.
import { ask, by, Problem, say, sayProblem, show } from "./page.js";

const form = by("setup");
if (form) begin();

function begin() {
  let base = JSON.parse(form.dataset.base);

  /** @param {Element} row @param {string} name @returns {any} */
  const field = (row, name) => row.querySelector(`[data-send="${name}"]`);
  const rows = () => [...form.querySelectorAll(".send")];

  function typed() {
    const data = Object.fromEntries([...new FormData(form)].map(([name, value]) => [name, String(value)]));
    const send = rows().map((row) => ({ mix: field(row, "mix").value, level: field(row, "level").value, after_fader: field(row, "after_fader").checked }));
    return { ...data, send };
  }

  /** @param {{ mix: string, level: string, after_fader: boolean }} send */
  function addRow(send) {
    const row = /** @type {Element} */ (rows()[0].cloneNode(true));
    field(row, "mix").value = send.mix;
    field(row, "level").value = send.level;
    field(row, "after_fader").checked = send.after_fader;
    by("sends").append(row);
    return row;
  }

  /** @param {any} setup */
  function fill(setup) {
    for (const [name, value] of Object.entries(setup)) if (form.elements[name]) form.elements[name].value = value;
    const [first, ...others] = rows();
    for (const row of others) row.remove();
    for (const send of [...setup.send, { mix: "", level: "", after_fader: false }]) addRow(send);
    first.remove();
  }

  by("add-send").addEventListener("click", () => field(addRow({ mix: "", level: "", after_fader: false }), "mix").focus());

  form.addEventListener("submit", async (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    const pressed = /** @type {HTMLButtonElement | null} */ (event.submitter);
    try {
      const saved = await ask("/api/setup", { id: show(), source: form.dataset.source, setup: typed(), base, every_week: pressed?.value === "every" });
      base = saved.base;
      fill(base);
      say(saved.said);
    } catch (error) {
      if (!(error instanceof Problem) || error.status !== 409) { sayProblem(error); return; }
      const { theirs } = error.data;
      base = theirs;
      say(form.dataset.conflict ?? "", true);
      const button = Object.assign(document.createElement("button"), { type: "button", textContent: form.dataset.theirs });
      button.addEventListener("click", () => { fill(theirs); say(""); });
      by("said").append(" ", button);
    }
  });
}
