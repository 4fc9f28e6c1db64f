// What the page does beyond plain forms: keep what was typed when a record is refused, local times, news, filters.

const said = document.getElementById("said");
const thinking = new AbortController();

function line(words, kind, role) {
  const made = document.createElement("p");
  made.textContent = words;
  made.className = kind;
  if (role) made.setAttribute("role", role);
  return made;
}

function say(words) {
  said.replaceChildren(line(words, "doing"));
}

// A refusal stands in the form, above what was pressed, and covers nothing.
function refuse(form, pressed, words) {
  said.replaceChildren();
  form.querySelector(".bad")?.remove();
  const told = line(words, "bad", "alert");
  const before = pressed && form.contains(pressed) ? pressed : form.lastElementChild;
  before.before(told);
  told.scrollIntoView({ block: "center" });
}

for (const form of document.querySelectorAll("form[data-stay]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    thinking.abort();
    const data = new FormData(form, event.submitter);
    const buttons = [...document.querySelectorAll("button")].filter((button) => !button.disabled);
    for (const button of buttons) button.disabled = true;
    say("Recording, then weighing …");
    try {
      const answer = await fetch(form.action, { method: "POST", body: data, headers: { Accept: "application/json" } });
      const told = await answer.json();
      if (answer.ok) {
        const stays = new URL(told.next, location.href).pathname === location.pathname;
        if (stays && location.hash) history.replaceState(null, "", location.pathname);
        if (stays) location.reload();
        else location.assign(told.next);
        return;
      }
      if (answer.status === 409) {
        showNews();
        refuse(form, event.submitter, told.error + " Your entry is still here.");
      } else refuse(form, event.submitter, told.error);
    } catch {
      refuse(form, event.submitter, "No answer from the casebook. What you typed is still here: try again.");
    }
    for (const button of buttons) button.disabled = false;
  });
}

for (const time of document.querySelectorAll("time[datetime]")) {
  const at = new Date(time.dateTime);
  if (!Number.isNaN(at.valueOf()))
    time.textContent = at.toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
}

for (const field of document.querySelectorAll("input[data-filter]")) {
  const list = document.getElementById(field.dataset.filter);
  field.addEventListener("input", () => {
    const wanted = field.value.trim().toLowerCase();
    for (const item of list.children) item.hidden = !item.textContent.toLowerCase().includes(wanted);
  });
}

async function showWaits() {
  for (const place of document.querySelectorAll("[data-waits]")) {
    place.textContent = "Being weighed …";
    try {
      const answer = await fetch(`/api/cases/${place.dataset.waits}/waits-for`);
      const told = await answer.json();
      place.textContent = answer.ok ? `Next: ${told.waits_for}` : told.error;
    } catch {
      place.textContent = "Open it to weigh what comes next";
    }
  }
}

function showNews() {
  const fresh = document.getElementById("fresh");
  if (fresh) fresh.hidden = false;
}

const { case: caseId, head } = document.body.dataset;
if (caseId) {
  setInterval(async () => {
    if (document.hidden) return;
    try {
      const answer = await fetch(`/api/cases/${caseId}/head`);
      if (answer.ok && (await answer.json()).head !== head) showNews();
    } catch {
      // no network just now: the next look will tell
    }
  }, 4000);
}
showWaits();

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
