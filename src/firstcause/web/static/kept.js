// Reading a case without the network: its pages are kept on this device while the casebook answers, and shown from
// here when it does not. A page that is loaded stays loaded; a reload would lose it.

import * as store from "./store.js";
import { down, fresh, lost, wire } from "./wire.js";

const { case: caseId, head } = document.body.dataset;
const SCREENS = ["", "/parts", "/evidence", "/roadtest", "/handover", "/closing", "/steps", "/record"];
const FORM = /^\/cases\/[^/]+\/record\?/;
const PROBE_MS = 1500;
const TOO_OLD_MS = 30 * 24 * 3600 * 1000;
let shown = false;

const short = (address) => {
  const url = new URL(address, location.href);
  return url.pathname + url.search;
};

async function fetchPage(address) {
  const answer = await fetch(address);
  if (!answer.ok) return null;
  const page = { address, case: caseId, head, html: await answer.text(), at: Date.now() };
  await store.put("pages", page);
  return page;
}

const linksOf = (html, wanted) => [
  ...new Set(
    [...new DOMParser().parseFromString(html, "text/html").querySelectorAll("main a[href], nav a[href]")]
      .map((link) => short(link.getAttribute("href")))
      .filter((address) => address.startsWith(`/cases/${caseId}/`) && wanted(address)),
  ),
];

async function keepEach(addresses, known, wantedLinks) {
  const found = new Set();
  for (const address of addresses) {
    if (down()) return found;
    const had = known.get(address);
    const good = had && (FORM.test(address) || had.head === head);
    const page = good ? had : await fetchPage(address);
    if (page) for (const link of linksOf(page.html, wantedLinks)) found.add(link);
    if (!good) await new Promise((resume) => setTimeout(resume, 30));
  }
  return found;
}

// The screens of this case as it stands now, its forms and open steps, then a form for every test; a form kept once is
// kept for good.
async function keepPages() {
  const known = new Map((await store.all("pages")).map((page) => [page.address, page]));
  for (const page of known.values()) if (Date.now() - page.at > TOO_OLD_MS) await store.remove("pages", page.address);
  const step = (link) => link.includes("/step?");
  const deep = (link) => /[?&](test|repair)=/.test(link);
  const more = await keepEach(SCREENS.map((screen) => `/cases/${caseId}${screen}`), known, (link) => step(link) || FORM.test(link));
  const forms = [...more].filter((link) => !deep(link));
  const tests = await keepEach(forms, known, (link) => FORM.test(link) && deep(link));
  document.documentElement.dataset.kept = "forms";
  await keepEach(new Set([...tests, ...[...more].filter(deep)]), known, () => false);
  document.documentElement.dataset.kept = "all";
}

async function answers() {
  if (fresh()) return true;
  try {
    await fetch("/beat", { signal: AbortSignal.timeout(PROBE_MS) });
    return true;
  } catch {
    lost();
    return false;
  }
}

// Put a kept page in the place of this one. Its forms speak of the head that this device has seen last.
async function show(address, push = true) {
  const page = await store.get("pages", address);
  if (!page) {
    wire.dispatchEvent(new CustomEvent("not-kept", { detail: address }));
    return;
  }
  const made = new DOMParser().parseFromString(page.html, "text/html");
  shown = true;
  document.body.replaceChildren(...made.body.children);
  for (const field of document.querySelectorAll("input[name=head]")) field.value = head;
  document.title = made.title;
  if (push) history.pushState({ kept: true }, "", address);
  scrollTo(0, 0);
  document.dispatchEvent(new Event("page-shown"));
}

document.addEventListener("click", async (event) => {
  const link = event.target.closest("a[href]");
  if (!link || event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey || link.target) return;
  const url = new URL(link.href);
  if (url.origin !== location.origin || !url.pathname.startsWith(`/cases/${caseId}`)) return;
  if (url.hash && url.pathname === location.pathname) return;
  if (fresh() && !shown) return;
  event.preventDefault();
  if (await answers()) location.assign(link.href);
  else await show(short(link.href));
});

addEventListener("popstate", () => {
  if (shown) show(short(location.href), false);
});

// A reload without the casebook would lose the page: the browser asks first.
addEventListener("beforeunload", (event) => {
  if (down()) event.preventDefault();
});

wire.addEventListener("up", () => {
  if (shown) wire.dispatchEvent(new Event("back"));
});

if (caseId && head && "indexedDB" in globalThis) {
  const begin = () => setTimeout(() => keepPages().catch(() => {}), 1200);
  if (document.readyState === "complete") begin();
  else addEventListener("load", begin);
}
