// Entries made on this device. Each is kept here first, under an id of its own, and sent in its order until the
// casebook has answered; sent twice, it is recorded once. At the first that cannot be recorded the rest waits.

import * as store from "./store.js";
import { lost, wire } from "./wire.js";

const PATIENCE_MS = 20_000;
const PATIENCE_FILE_MS = 120_000;
let draining = null;

// Random without crypto.randomUUID, which plain http by name does not have.
export function newEntryId() {
  return [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

const caseOf = (action) => new URL(action, location.href).pathname.split("/")[2];
const plain = (fields) => JSON.stringify(fields.filter(([, value]) => typeof value === "string"));

export async function waiting(caseId) {
  return (await store.all("waiting")).filter((entry) => entry.case === caseId);
}

// What a form says, kept on this device; the entry's number.
export async function keep(action, data, words) {
  const fields = [...data].filter(([name, value]) => name !== "head" && name !== "entry" && value !== "");
  const entry = { case: caseOf(action), id: newEntryId(), action, fields, head: data.get("head") ?? "", words, at: Date.now(), state: "waiting" };
  for (const stopped of await waiting(entry.case))
    if (stopped.state !== "waiting" && stopped.action === action && plain(stopped.fields) === plain(fields)) await store.remove("waiting", stopped.n);
  const n = await store.put("waiting", entry);
  changed(entry.case);
  return n;
}

function changed(caseId, detail = {}) {
  wire.dispatchEvent(new CustomEvent("queue", { detail: { case: caseId, ...detail } }));
}

// Our own entries move the head: what was made on top of the head before them stands on top of them.
async function latest(head) {
  for (let at = head; ; at = head) {
    head = (await store.get("heads", at))?.head ?? at;
    if (head === at) return head;
  }
}

// Send what waits, in order; what became of each entry, by its number.
export function drain() {
  draining ??= run().finally(() => (draining = null));
  return draining;
}

async function run() {
  const became = new Map();
  for (;;) {
    const entries = await store.all("waiting");
    const stopped = new Set(entries.filter((entry) => entry.state !== "waiting").map((entry) => entry.case));
    const entry = entries.find((each) => !stopped.has(each.case));
    if (!entry) return became;
    const answer = await send(entry);
    if (!answer) return became;
    became.set(entry.n, answer);
    if (answer.ok) {
      if (answer.told.before) await store.put("heads", { before: answer.told.before, head: answer.told.head });
      await store.remove("waiting", entry.n);
    } else {
      await store.put("waiting", { ...entry, state: answer.status === 409 ? "conflict" : "refused", told: answer.told });
    }
    changed(entry.case, { sent: answer.ok ? entry : null });
  }
}

// One entry to the casebook; null when there was no answer that settles it, so that it waits on.
async function send(entry) {
  const body = new FormData();
  for (const [name, value] of entry.fields) body.append(name, value);
  body.append("entry", entry.id);
  if (entry.head) body.append("head", await latest(entry.head));
  const patience = entry.fields.some(([, value]) => typeof value !== "string") ? PATIENCE_FILE_MS : PATIENCE_MS;
  try {
    const asked = { method: "POST", body, headers: { Accept: "application/json" }, signal: AbortSignal.timeout(patience) };
    const answer = await fetch(entry.action, asked);
    if (answer.status >= 500 || answer.status === 429) return null;
    if (answer.status === 401) {
      wire.dispatchEvent(new Event("unpaired"));
      return null;
    }
    return { ok: answer.ok, status: answer.status, told: await answer.json() };
  } catch {
    lost();
    return null;
  }
}

// Who has seen what is new and says that the entry still holds says so for what waits behind it too.
export async function again(entry) {
  const before = await latest(entry.head);
  if (entry.told?.head && before !== entry.told.head) await store.put("heads", { before, head: entry.told.head });
  await store.put("waiting", { ...entry, state: "waiting", head: entry.told?.head ?? entry.head, told: undefined });
  changed(entry.case);
  return drain();
}

// Taken back out: what could not be recorded is still where it was typed.
export async function forget(n) {
  const entry = await store.get("waiting", n);
  await store.remove("waiting", n);
  if (entry) changed(entry.case);
}

export async function throwAway(entry) {
  await store.remove("waiting", entry.n);
  changed(entry.case);
  return drain();
}

wire.addEventListener("up", drain);
setInterval(drain, 5000);
drain();
