// The line to the casebook: one stream a page, open while somebody looks. Whoever wants news listens to `wire`:
// "news" (something was recorded), "up", "down", and the live data of a connected car.

export const wire = new EventTarget();
const SILENT_MS = 7000; // the casebook beats every 2.5 s
const AGAIN_MS = 1000;
const { case: caseId } = document.body.dataset;
let source = null;
let heardAt = 0;
let isUp = null;
let seen = document.body.dataset.head;

function told(up) {
  if (up === isUp) return;
  isUp = up;
  document.documentElement.classList.toggle("no-answer", !up);
  wire.dispatchEvent(new Event(up ? "up" : "down"));
}

// Heard so lately that a page may be asked for without a second thought.
export function fresh() {
  return isUp !== false && performance.now() - heardAt < 3000;
}

export function down() {
  return isUp === false;
}

export function lost() {
  told(false);
  close();
}

function close() {
  source?.close();
  source = null;
}

function hear(event) {
  heardAt = performance.now();
  told(true);
  if (event.type === "beat") return;
  const data = JSON.parse(event.data);
  if (event.type === "news") seen = data.head;
  wire.dispatchEvent(new CustomEvent(event.type, { detail: data }));
}

function open() {
  close();
  source = new EventSource(`/cases/${caseId}/stream?${new URLSearchParams({ seen: seen ?? "" })}`);
  for (const kind of ["beat", "news", "live", "link"]) source.addEventListener(kind, hear);
  source.onerror = () => {
    // It may be that the page is going, or sleeping: nothing is wrong then.
    if (!document.hidden) told(false);
    close();
  };
}

if (caseId) {
  open();
  setInterval(() => {
    if (document.hidden) return;
    if (source && heardAt && performance.now() - heardAt > SILENT_MS) lost();
    if (!source) open();
  }, AGAIN_MS);
  document.addEventListener("visibilitychange", () => (document.hidden ? close() : open()));
  addEventListener("pagehide", close);
  addEventListener("pageshow", (event) => event.persisted && open());
  addEventListener("offline", lost);
}
