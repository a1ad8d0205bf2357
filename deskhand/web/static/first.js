// @ts-check
// The first evening: sources as they are proposed, put right, and written.
import { ask, by, follow, sayProblem } from "./page.js";

document.querySelectorAll("[data-listen]").forEach((button) => button.addEventListener("click", async () => {
  if (!(button instanceof HTMLButtonElement)) return;
  try {
    button.disabled = true;
    const { job } = await ask("/api/listen", { id: button.dataset.listen });
    location.assign(await follow(job, by("job")));
  } catch (error) { sayProblem(error); } finally { button.disabled = false; }
}));

by("look-around")?.addEventListener("click", async (/** @type {MouseEvent} */ event) => {
  const button = /** @type {HTMLButtonElement} */ (event.currentTarget);
  try {
    button.disabled = true;
    const { job } = await ask("/api/invented-hall", {});
    location.assign(await follow(job, by("look-job")));
  } catch (error) { sayProblem(error); } finally { button.disabled = false; }
});

const form = by("sources");
if (form) {
  const rows = by("rows");
  const number = () => [...rows.querySelectorAll("legend")].forEach((one, place) => { one.textContent = String(place + 1); });
  const lead = form.elements.lead;
  const names = () => {
    const chosen = lead.value;
    const found = [...rows.querySelectorAll("[name=name]")].map((one) => one.value.trim()).filter(Boolean);
    lead.replaceChildren(lead.firstElementChild, ...found.map((one) => new Option(one, one, false, one === chosen)));
  };
  rows.addEventListener("click", (/** @type {MouseEvent} */ event) => {
    const button = /** @type {HTMLElement} */ (event.target).closest("[data-remove]");
    if (!button) return;
    button.closest("fieldset")?.remove();
    number();
    names();
  });
  rows.addEventListener("change", names);
  by("add-source").addEventListener("click", () => {
    const copy = rows.lastElementChild.cloneNode(true);
    copy.querySelectorAll("input").forEach((/** @type {HTMLInputElement} */ one) => { one.value = ""; });
    copy.querySelector("[name=right]").value = "";
    copy.querySelector("span.where").textContent = "";
    // the roles of a guess stand first: in a new row they go back among the others
    copy.querySelectorAll("optgroup").forEach((/** @type {Element} */ one) => one.replaceWith(...one.children));
    rows.append(copy);
    number();
    copy.querySelector("[name=name]").focus();
  });
  form.addEventListener("submit", async (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    const value = (/** @type {Element} */ row, /** @type {string} */ name) => row.querySelector(`[name=${name}]`).value;
    try {
      const { to } = await ask("/api/house", {
        id: form.dataset.id, name: form.elements.house.value, mains: form.elements.mains.value, lead: lead.value,
        sources: [...rows.children].map((row) => Object.fromEntries(["name", "role", "left", "right", "channel", "patch"].map((one) => [one, value(row, one)]))),
      });
      location.assign(to);
    } catch (error) {
      by("problem").textContent = error instanceof Error ? error.message : String(error);
      by("problem").hidden = false;
    }
  });
}
