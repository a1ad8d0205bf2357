// @ts-check
// The line check and soundcheck as they go on: one picture from the desk's computer for everybody, and what is asked of it.
import { ask, by, filled, say, sayProblem } from "./page.js";
import { beginRingOut, drawRingOut } from "./ring_out.js";

const box = by("live");
const words = JSON.parse(box.dataset.words);
const status = { ...JSON.parse(box.dataset.status), waiting: "", sounding: "", skipped: "", "not tonight": "" };
const OLD_S = 3; // three beats without a word
// Sooner than that nobody has read what stands there: a press was meant for what stood there before. Common practice, no source.
const READ_S = 0.4;
const NAME = "deskhand-name";

/** @type {any} */
let picture = null;
let heardAt = performance.now();
/** The same by the clock on the wall: while a phone sleeps, the other one may stand. */
let heardAtWall = Date.now();
/** Turned away: the link is another one. */
let locked = false;
/** Begun on this page, a moment ago. */
let begunHere = false;
/** Input at hand before this one, and since when this one is. */
let before = "", sinceAt = -Infinity;
let ageThere = 0;
/** Where the question belongs that is open, so that a new picture does not change it. @type {{ act: string, source: string } | null} */
let open = null;

/** Put a text where it differs: what is read aloud is read once. @param {string} id @param {string} text */
function put(id, text) {
  const element = by(id);
  if (element.textContent !== text) element.textContent = text;
  element.hidden = !text;
}

/** @param {string} tag @param {string} text @param {string} [kind] */
function made(tag, text, kind) {
  const element = document.createElement(tag);
  element.textContent = text;
  if (kind) element.className = kind;
  return element;
}

/** One input in a list. @param {any} row */
function lineOf(row) {
  const item = made("li", "", `is-${String(row.word).replace(" ", "-")}`);
  const name = made("b", row.source);
  item.append(name, made("span", row.where ? ` ${row.where}` : "", "where"));
  const word = status[row.word];
  if (word) item.append(made("span", ` ${word}`, "word"));
  if (row.player) item.append(made("span", ` (${row.player})`, "where"));
  if (row.sentence) item.append(made("p", row.sentence));
  if (row.asked) {
    const answers = made("p", "", "do");
    for (const [act, text] of [["planned", words.answer_planned], ["exchanged", filled(words.answer_exchanged, { other: row.asked })]]) {
      const button = made("button", text);
      button.addEventListener("click", () => request(act, row.source));
      answers.append(button, " ");
    }
    item.append(answers);
  }
  return item;
}

/** Lists under the input at hand, the most urgent first; drawn again only when something in them changed. @param {any} now @param {HTMLElement} into */
function drawParts(now, into) {
  const rows = now.inputs ?? [];
  const wrong = (/** @type {any} */ row) => ["fix", "silent", "missing"].includes(row.word);
  const toHear = (/** @type {any} */ row) => ["listen", "adjust"].includes(row.word);
  const coming = (/** @type {any} */ row) => ["waiting", "sounding", "skipped"].includes(row.word);
  const parts = now.kind === "line-check" ? [
    [words.to_put_right, rows.filter(wrong)], [words.to_ask, rows.filter(toHear)],
    [words.still_to_come, rows.filter((/** @type {any} */ row) => coming(row) && !row.at_hand)],
    [words.have_arrived, rows.filter((/** @type {any} */ row) => row.word === "well")],
    [words.not_tonight_head, rows.filter((/** @type {any} */ row) => row.word === "not tonight")],
  ] : [["", rows]];
  if ((now.rang ?? []).length) parts.push([words.rang, now.rang]);
  if ((now.notes ?? []).length) parts.push([words.notes, now.notes]);
  const drawn = JSON.stringify(parts);
  if (into.dataset.drawn === drawn) return;
  into.dataset.drawn = drawn;
  into.replaceChildren(...parts.flatMap(([head, of]) => {
    if (!of.length) return [];
    const list = document.createElement("ul");
    list.className = "live-list";
    list.append(...of.map((/** @type {any} */ row) => typeof row === "string" ? made("li", row) : lineOf(row)));
    return head ? [made("h2", `${head} (${of.length})`, "apart"), list] : [list];
  }));
}

/** The things to do first. @param {any} now @param {HTMLElement} list */
function drawFirst(now, list) {
  list.hidden = !(now.first ?? []).length;
  list.replaceChildren(...(now.first ?? []).map((/** @type {string} */ text) => made("li", text)));
}

/** The form goes: whoever pressed it finds the sentence before their eyes, and before the screen reader's. */
function begun() {
  begunHere = false;
  scrollTo(0, 0);
  by("sentence").focus();
}

/** What stands when it is over. @param {any} now */
function drawEnd(now) {
  say(now.problem ? filled(words.ended_problem, { problem: now.problem }) : now.last ? words.ended : "", Boolean(now.problem));
  picture = null;
  by("going").hidden = true;
  by("begin").hidden = false;
  by("none").hidden = Boolean(now.last);
  by("over").hidden = !now.last;
  if (!now.last) return;
  put("live-title", `${now.last.title} ${now.last.clock}`);
  put("over-summary", [now.last.urgent, now.last.summary].filter(Boolean).join(" · "));
  drawFirst(now.last, by("over-three"));
  drawParts({ ...now.last, notes: [...(now.last.ring_out?.found ?? []), ...(now.last.notes ?? [])] }, by("over-parts"));
}

/** @param {any} now */
function draw(now) {
  const had = picture?.session === now.session ? picture?.hand?.source : undefined;
  if (had !== undefined && had !== now.hand.source) [before, sinceAt] = [had, performance.now()];
  if (picture === null) say("");
  picture = now;
  by("over").hidden = true;
  by("going").hidden = false;
  if (begunHere) begun();
  by("begin").hidden = true;
  const ringsOut = drawRingOut(now.ring_out);
  by("hand").hidden = by("parts").hidden = ringsOut;
  const inLine = now.kind === "line-check";
  put("live-title", `${now.title} ${now.clock}`);
  put("sentence", now.hand.sentence);
  put("where", now.hand.where ?? "");
  put("finding", now.hand.finding ?? "");
  by("finding").classList.toggle("wrong", Boolean(now.hand.wrong));
  put("level", now.hand.level ?? "");
  put("urgent", now.urgent);
  put("summary", [now.summary, now.device, now.practice, ...now.seats].filter(Boolean).join(" · "));
  put("problem", now.gone ? now.device : now.problem);
  const heard = by("heard");
  heard.hidden = !inLine || !now.hand.source;
  if (heard.textContent !== now.hand.heard) heard.textContent = now.hand.heard ?? "";
  for (const [act, shown] of Object.entries({ back: inLine, "not-tonight": inLine && now.hand.source, check: !inLine })) {
    const button = /** @type {HTMLElement} */ (box.querySelector(`#others [data-act="${act}"]`));
    button.hidden = !shown;
  }
  /** @type {HTMLElement} */ (box.querySelector('[data-ask="player"]')).hidden = !inLine || !now.hand.source;
  drawFirst(now, by("three"));
  drawParts(now, by("parts"));
  by("messages").replaceChildren(...now.messages.map((/** @type {string} */ text) => made("li", text)));
  by("keys").hidden = !inLine || ringsOut;
}

/** How old is what stands here? Told every half second, whatever the network does. */
function tellAge() {
  if (picture === null) { put("age", ""); return; }
  const lost_s = Math.max(performance.now() - heardAt, Date.now() - heardAtWall) / 1000;
  const old = lost_s > OLD_S;
  const hung = !old && ageThere > OLD_S;
  box.classList.toggle("old", old || hung);
  const text = old ? filled(words.old, { seconds: Math.round(lost_s) }) : hung ? filled(words.old_hung, { seconds: Math.round(ageThere) }) : words.fresh;
  put("age", locked && old ? words.new_link : text);
  // read aloud once, and not every second
  const way = old ? (locked ? words.new_link : words.lost) : "";
  if (by("way").textContent !== way) by("way").textContent = way;
}

/** @param {MessageEvent} event */
function take(event) {
  const now = JSON.parse(event.data);
  [heardAt, heardAtWall, locked] = [performance.now(), Date.now(), false];
  ageThere = now.age_s ?? 0;
  if (now.kind === "none") drawEnd(now);
  else if (now.kind !== "beat" && (picture?.session !== now.session || now.number > picture.number)) draw(now);
  tellAge();
}

/** @type {EventSource | null} */
let source = null;
/** Listen; again from the beginning when the way was lost, since every picture holds everything. */
function listen() {
  source?.close();
  source = new EventSource("/live/events");
  source.onmessage = take;
  source.onerror = async () => {
    try { locked = (await fetch("/static/mark.svg", { method: "HEAD", cache: "no-store" })).status === 403; } catch { locked = false; }
  };
}

/** Input that a press was meant for: the one before, where this one has only just come to stand there. */
const meant = () => (performance.now() - sinceAt < READ_S * 1000 ? before : picture?.hand?.source ?? "");


/** @param {string} act @param {string} about @param {string} [text] */
async function request(act, about, text = "") {
  const name = /** @type {HTMLInputElement} */ (by("who-am-i")).value.trim();
  try {
    const { accepted, said } = await ask("/api/live", { act, source: about, by: name, text });
    say(accepted ? "" : said, !accepted);
    return accepted;
  } catch (error) { sayProblem(error); return false; }
}

box.querySelectorAll("[data-act]").forEach((button) => button.addEventListener("click", async () => {
  const act = /** @type {HTMLElement} */ (button).dataset.act ?? "";
  await request(act, meant());
}));

box.querySelectorAll("[data-ask]").forEach((button) => button.addEventListener("click", () => {
  const act = /** @type {HTMLElement} */ (button).dataset.ask ?? "";
  const about = picture?.hand?.source ?? "";
  open = { act, source: about };
  by("ask-label").textContent = act === "player" ? filled(words.who_plays, { source: about })
    : about ? `${words.note_about} ${filled(words.note_about_source, { source: about })}` : words.note_about;
  by("ask").hidden = false;
  const field = /** @type {HTMLInputElement} */ (by("ask-text"));
  field.value = "";
  field.maxLength = act === "player" ? 80 : 500;
  field.focus();
}));

/** @param {boolean} [back] where the question came from */
function closeQuestion(back = true) {
  const act = open?.act;
  open = null;
  by("ask").hidden = true;
  if (back && act) /** @type {HTMLElement} */ (box.querySelector(`[data-ask="${act}"]`)).focus();
}
by("ask-cancel").addEventListener("click", () => closeQuestion());
by("ask").addEventListener("submit", async (/** @type {SubmitEvent} */ event) => {
  event.preventDefault();
  if (open && await request(open.act, open.source, /** @type {HTMLInputElement} */ (by("ask-text")).value)) closeQuestion();
});

by("done").addEventListener("click", async () => {
  if (confirm(by("done").dataset.sure)) await request("done", "");
});

document.addEventListener("keydown", (event) => {
  const target = /** @type {HTMLElement} */ (event.target);
  if (event.key === "Escape" && open) { closeQuestion(); return; }
  if (picture?.kind !== "line-check" || picture.ring_out?.open || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  if (target.closest("input, select, textarea")) return;
  const act = { n: "heard", b: "back", x: "not-tonight" }[event.key];
  if (act && (act === "back" || picture.hand.source)) { event.preventDefault(); request(act, meant()); }
});

document.querySelectorAll(".begin-form").forEach((form) => form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const data = new FormData(/** @type {HTMLFormElement} */ (form));
  try {
    await ask("/api/live/begin", { ...Object.fromEntries(data), record: data.has("record"), ring_out: data.has("ring_out") });
    begunHere = true;
    say("");
  } catch (error) { sayProblem(error); }
}));

const name = /** @type {HTMLInputElement} */ (by("who-am-i"));
try { name.value = localStorage.getItem(NAME) ?? ""; } catch { /* kept nowhere */ }
name.addEventListener("change", () => { try { localStorage.setItem(NAME, name.value.trim()); } catch { /* kept nowhere */ } });

beginRingOut(request);
let triedAt = performance.now();
listen();
setInterval(() => {
  tellAge();
  // a phone that slept, or a network that was changed, leaves a connection that nobody closes
  const now = performance.now();
  if (now - heardAt > 2 * OLD_S * 1000 && now - triedAt > OLD_S * 1000) { triedAt = now; listen(); }
}, 500);
document.addEventListener("visibilitychange", () => { if (!document.hidden) { tellAge(); listen(); } });
addEventListener("online", () => listen());
