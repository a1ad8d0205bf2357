// @ts-check
// Recordings: check one, or put new ones into the house's folder. Files are sent as they lie on the disk, one after the other.
import { ask, by, filled, follow, Problem, say, sayProblem } from "./page.js";

document.querySelectorAll(".check-form").forEach((form) => form.addEventListener("submit", async (event) => {
  event.preventDefault();
  if (!(form instanceof HTMLFormElement)) return;
  const data = new FormData(form);
  const button = form.querySelector("button");
  try {
    if (button) button.disabled = true;
    const { job } = await ask("/api/check", { id: form.dataset.id, date: data.get("date"), phase: data.get("phase"), tap: data.get("tap") });
    const box = by("job");
    form.after(box);
    location.assign(await follow(job, box));
  } catch (error) { sayProblem(error); } finally { if (button) button.disabled = false; }
}));

const AUDIO = /\.(wav|wave|bwf|rf64|bw64|w64|aif|aiff|aifc|caf|flac)$/i;
const drop = by("drop");

/** @param {File} file @param {string} folder @param {(share: number) => void} progress @returns {Promise<void>} */
function send(file, folder, progress) {
  return new Promise((done, failed) => {
    // fetch cannot tell how much of a body has gone
    const request = new XMLHttpRequest();
    request.open("PUT", `/upload/${encodeURIComponent(folder)}/${encodeURIComponent(file.name)}`);
    request.setRequestHeader("x-deskhand", "1");
    request.upload.addEventListener("progress", (event) => progress(event.loaded / Math.max(event.total, 1)));
    request.addEventListener("load", () => {
      if (request.status < 300) { done(); return; }
      let said = request.statusText;
      try { said = JSON.parse(request.responseText).problem ?? said; } catch { said = request.responseText || said; }
      failed(new Problem(said, request.status, {}));
    });
    request.addEventListener("error", () => failed(new Problem(document.body.dataset.offline ?? "", 0, {})));
    request.send(file);
  });
}

/** @param {{file: File, folder: string}[]} found */
async function take(found) {
  const wanted = found.filter(({ file }) => AUDIO.test(file.name) || file.name === "show.toml");
  if (!wanted.some(({ file }) => AUDIO.test(file.name))) { say(drop.dataset.none, true); return; }
  const bar = by("upload");
  bar.hidden = false;
  try {
    for (const [at, { file, folder }] of wanted.entries()) {
      by("upload-said").textContent = filled(drop.dataset.uploading, { name: file.name, at: at + 1, of: wanted.length });
      await send(file, folder, (share) => { bar.value = (at + share) / wanted.length; });
    }
    by("upload-said").textContent = filled(drop.dataset.done, { name: wanted[0].folder });
    location.reload();
  } catch (error) { sayProblem(error); } finally { bar.hidden = true; }
}

const today = () => new Date().toISOString().slice(0, 10);

for (const picker of ["pick", "pick-files"]) by(picker)?.addEventListener("change", () => {
  const files = /** @type {File[]} */ ([...(by(picker).files ?? [])]);
  // one file of many tracks is a recording by itself, and its name is the show's; several files are the tracks of one
  const [first] = files;
  const own = files.length === 1 && first ? first.name.replace(/\.[^.]*$/, "") : today();
  take(files.map((file) => ({ file, folder: file.webkitRelativePath.split("/").at(-2) || own })));
});

/** All files of what was dropped. @param {FileSystemEntry} entry @param {string} folder @returns {Promise<{file: File, folder: string}[]>} */
async function within(entry, folder) {
  if (entry instanceof FileSystemFileEntry || entry.isFile) {
    const file = await new Promise((done, failed) => /** @type {FileSystemFileEntry} */ (entry).file(done, failed));
    return [{ file, folder }];
  }
  const reader = /** @type {FileSystemDirectoryEntry} */ (entry).createReader();
  const found = [];
  for (;;) {
    /** @type {FileSystemEntry[]} */
    const some = await new Promise((done, failed) => reader.readEntries(done, failed));
    if (!some.length) return found;
    for (const one of some) found.push(...await within(one, entry.name));
  }
}

drop?.addEventListener("dragover", (/** @type {DragEvent} */ event) => { event.preventDefault(); drop.classList.add("over"); });
drop?.addEventListener("dragleave", () => drop.classList.remove("over"));
drop?.addEventListener("drop", async (/** @type {DragEvent} */ event) => {
  event.preventDefault();
  drop.classList.remove("over");
  const entries = [...(event.dataTransfer?.items ?? [])].map((item) => item.webkitGetAsEntry()).filter((one) => one !== null);
  try {
    take((await Promise.all(entries.map((one) => within(/** @type {FileSystemEntry} */ (one), today())))).flat());
  } catch (error) { sayProblem(error); }
});
