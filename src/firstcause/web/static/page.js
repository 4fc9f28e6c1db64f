// What the page does beyond plain forms: entries that wait for the casebook, news of other devices, local times, filters.

import * as queue from "./queue.js";
import "./kept.js";
import { down, wire } from "./wire.js";

const thinking = new AbortController();
const place = (id) => document.getElementById(id);
const words = (name) => place("page-words")?.dataset[name] ?? name;

function line(text, kind, role) {
  const made = document.createElement("p");
  made.textContent = text;
  made.className = kind;
  if (role) made.setAttribute("role", role);
  return made;
}

function button(text, act, kind = "second") {
  const made = document.createElement("button");
  made.type = "button";
  made.className = kind;
  made.textContent = text;
  made.addEventListener("click", act);
  return made;
}

function say(text) {
  place("said").replaceChildren(line(text, "doing"));
}

// A refusal stands in the form, above what was pressed, and covers nothing.
function refuse(form, pressed, text, kind = "bad") {
  place("said").replaceChildren();
  form.querySelector(".bad, .kept")?.remove();
  const told = line(text, kind, kind === "bad" ? "alert" : "status");
  const before = pressed && form.contains(pressed) ? pressed : form.lastElementChild;
  before.before(told);
  told.scrollIntoView({ block: "center" });
}

function goOn(next) {
  const stays = new URL(next, location.href).pathname === location.pathname;
  if (stays && location.hash) history.replaceState(null, "", location.pathname);
  if (stays) location.reload();
  else location.assign(next);
}

// What a form says, in a few words, for the list of what waits.
function inWords(form, pressed) {
  const heading = form.closest("article, section, main")?.querySelector("h1, h2, h3")?.textContent.trim();
  const typed = [...form.elements].filter((field) => field.checkVisibility() && !["submit", "button", "fieldset"].includes(field.type))
    .filter((field) => !["radio", "checkbox"].includes(field.type) || field.checked)
    .map((field) => (field.type === "file" ? field.files[0]?.name : field.selectedOptions ? field.selectedOptions[0]?.text : field.value.trim()));
  const name = pressed?.querySelector?.(".o-name") ?? pressed;
  return [heading, name?.textContent.trim(), typed.filter(Boolean).join(", ")].filter(Boolean).join(" · ").replace(/\s+/g, " ").slice(0, 200);
}

async function sendNow(form, data) {
  form.dataset.entry ||= queue.newEntryId();
  data.set("entry", form.dataset.entry);
  try {
    const answer = await fetch(form.action, { method: "POST", body: data, headers: { Accept: "application/json" } });
    return { ok: answer.ok, status: answer.status, told: await answer.json() };
  } catch {
    return null;
  }
}

// An entry of a case is kept on this device first. Null: it waits here until the casebook answers.
async function record(form, data, pressed) {
  const { pathname } = new URL(form.action);
  if (!/^\/cases\/[^/]+\/(record|photos|drives)$/.test(pathname)) return { kept: false, answer: await sendNow(form, data) };
  let n;
  try {
    n = await queue.keep(form.action, data, inWords(form, pressed));
  } catch {
    return { kept: false, answer: await sendNow(form, data) }; // a device that keeps nothing can still send
  }
  let became = (await queue.drain()).get(n);
  became ??= (await queue.drain()).get(n); // one that was under way may have passed it by
  if (became && !became.ok && became.status !== 409) await queue.forget(n); // it is still in the form
  return { kept: true, answer: became ?? null };
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("form[data-stay]")) return;
  event.preventDefault();
  thinking.abort();
  form.querySelector(".bad, .kept")?.remove();
  const pressed = event.submitter;
  const data = new FormData(form, pressed);
  const buttons = [...document.querySelectorAll("button")].filter((each) => !each.disabled);
  for (const each of buttons) each.disabled = true;
  say(words("recording"));
  try {
    const { kept, answer } = await record(form, data, pressed);
    if (answer?.ok) return goOn(answer.told.next);
    if (answer?.status === 409) {
      showNews(answer.told.said?.since ?? []);
      refuse(form, pressed, `${answer.told.error} ${words("stillHere")}`);
    } else if (answer) refuse(form, pressed, answer.told.error);
    else if (kept) {
      form.reset();
      refuse(form, pressed, words("keptHere"), "kept");
    } else refuse(form, pressed, words("noAnswer"));
  } finally {
    for (const each of buttons) each.disabled = false;
  }
});
document.addEventListener("input", (event) => {
  if (event.target.form) delete event.target.form.dataset.entry; // something else is said now
});

// What waits on this device, or could not be recorded: shown on every page of the case until it is settled.
async function showWaiting() {
  const box = place("waiting");
  const { case: caseId } = document.body.dataset;
  if (!box || !caseId) return;
  let entries = [];
  try {
    entries = await queue.waiting(caseId);
  } catch {
    return;
  }
  box.hidden = entries.length === 0;
  const rows = entries.map((entry) => {
    const row = document.createElement("li");
    row.dataset.state = entry.state;
    row.append(line(entry.words, "e-words"), line(words(`state-${entry.state}`), "quiet"));
    if (entry.state === "waiting") return row;
    const since = entry.told?.said?.since ?? [];
    if (since.length) row.append(line(`${words("since")} ${since.join(" ")}`, ""));
    else row.append(line(entry.told?.error ?? "", ""));
    row.append(
      button(words(entry.state === "conflict" ? "stillHolds" : "tryAgain"), () => settle(queue.again(entry)), "tap"),
      button(words("throwAway"), () => confirm(`${words("throwAway")}? ${entry.words}`) && settle(queue.throwAway(entry))),
    );
    return row;
  });
  box.querySelector("ol").replaceChildren(...rows);
}

async function settle(work) {
  await work;
  const { case: caseId } = document.body.dataset;
  if ((await queue.waiting(caseId)).length === 0 && !down()) location.reload();
}

function showLine() {
  const told = place("no-answer");
  if (told) told.hidden = !down();
}

// What other devices have recorded, in words; what this device sent itself is no news on the page that it came from.
function showNews(said = []) {
  const fresh = place("fresh");
  if (!fresh) return;
  fresh.hidden = false;
  fresh.querySelector(".fresh-words")?.replaceChildren(...said.map((each) => line(each, "e-words")));
}

wire.addEventListener("news", ({ detail }) => {
  if (detail.head === document.body.dataset.head) return;
  const said = detail.events.map((each) => `${each.id}${each.by ? ` · ${each.by}` : ""}: ${each.words}`);
  setTimeout(() => showNews(said), 200); // our own entry is followed by the page itself
});
for (const kind of ["up", "down"]) wire.addEventListener(kind, showLine);
wire.addEventListener("queue", showWaiting);
wire.addEventListener("back", () => showNews());
wire.addEventListener("not-kept", () => say(words("notKept")));
wire.addEventListener("unpaired", () => location.assign(`/pair?back=${encodeURIComponent(location.pathname)}`));

function enhance() {
  for (const time of document.querySelectorAll("time[datetime]")) {
    const at = new Date(time.dateTime);
    if (!Number.isNaN(at.valueOf()))
      time.textContent = at.toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
  }
  showWaiting();
  showLine();
}
enhance();
document.addEventListener("page-shown", enhance);

document.addEventListener("input", ({ target }) => {
  if (!target.matches("input[data-filter]")) return;
  const wanted = target.value.trim().toLowerCase();
  for (const item of place(target.dataset.filter).children) item.hidden = !item.textContent.toLowerCase().includes(wanted);
});

// Cars that were not weighed yet are weighed one after the other, and each card is filled as soon as it is known.
async function showStands() {
  for (const card of document.querySelectorAll("[data-stand]")) {
    try {
      const answer = await fetch(`/cases/${card.dataset.stand}/stand`);
      if (!answer.ok) continue;
      const piece = document.createElement("template");
      piece.innerHTML = await answer.text();
      card.replaceChildren(piece.content);
    } catch {
      return; // no answer: the card says to open it
    }
  }
}

const { case: caseId, head } = document.body.dataset;
showStands();

// The casebook thinks on while somebody works here, a second at a time; it ends when the story moves or the page goes.
async function thinkOn(place) {
  for (;;) {
    if (!document.hidden) {
      const asked = new URLSearchParams({ head });
      const answer = await fetch(`/api/cases/${caseId}/thought?${asked}`, { signal: thinking.signal });
      const told = await answer.json();
      if (!answer.ok || told.moved) return;
      place.textContent = told.words;
      if (told.finished) return;
    }
    await new Promise((resume) => setTimeout(resume, 400));
    if (thinking.signal.aborted) return;
  }
}

const thought = document.getElementById("thought");
if (caseId && thought) thinkOn(thought).catch(() => {});
addEventListener("pagehide", () => thinking.abort());

// What something else would cost over the best step, said before it is recorded.
for (const place of document.querySelectorAll("[data-what-if]")) {
  const where = place.closest("form").querySelector("select[name=place]");
  const ask = async () => {
    const key = `${place.dataset.whatIf} at ${where.value}`;
    place.textContent = "";
    try {
      const asked = new URLSearchParams({ key });
      const answer = await fetch(`/api/cases/${caseId}/what-if?${asked}`, { signal: thinking.signal });
      if (answer.ok) place.textContent = (await answer.json()).words.join(" ");
    } catch {
      // it can be recorded without knowing
    }
  };
  where?.addEventListener("change", ask);
  if (where) ask();
}
