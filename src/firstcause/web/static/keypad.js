// Numbers by big keys: for gloves and greasy fingers. A field of numbers that is touched gets our keys instead of the
// device's keyboard; one key gives the device's own back. With a mouse and a keyboard nothing changes.

const made = document.getElementById("keypad")?.content.firstElementChild.cloneNode(true);
const fields = () => [...document.querySelectorAll("input[inputmode=numeric], input[inputmode=decimal], input[data-pad]")];
let field = null;

function unitsOf(input) {
  return input.dataset.unit ? input.form?.elements[input.dataset.unit] : null;
}

function shown() {
  made.querySelector(".kp-value").textContent = field.value || "–";
}

function open(input) {
  field = input;
  input.dataset.pad = input.dataset.pad || input.inputMode;
  input.inputMode = "none";
  const words = input.labels?.[0]?.firstChild?.textContent.trim() ?? "";
  made.querySelector(".kp-name").textContent = words;
  made.querySelector("[data-key=sign]").hidden = input.dataset.pad !== "decimal";
  made.querySelector("[data-key='.']").hidden = input.dataset.pad !== "decimal";
  const units = unitsOf(input);
  const place = made.querySelector(".kp-units");
  place.replaceChildren(
    ...[...(units?.options ?? [])].map((option) => {
      const key = document.createElement("button");
      key.type = "button";
      key.textContent = option.text;
      key.dataset.unit = option.value;
      key.setAttribute("aria-pressed", String(option.selected));
      return key;
    }),
  );
  shown();
  if (!made.isConnected) document.body.append(made);
  document.documentElement.classList.add("has-pad");
  input.scrollIntoView({ block: "center" });
}

function close() {
  made.remove();
  document.documentElement.classList.remove("has-pad");
  if (field) field.inputMode = field.dataset.pad;
  field = null;
}

function put(value) {
  field.value = value;
  field.dispatchEvent(new Event("input", { bubbles: true }));
  shown();
}

const KEYS = {
  back: () => put(field.value.slice(0, -1)),
  sign: () => put(field.value.startsWith("-") ? field.value.slice(1) : `-${field.value}`),
  ".": () => /[.,]/.test(field.value) || put(`${field.value || "0"}.`),
  done: () => {
    const last = field;
    close();
    last.blur();
  },
  next: () => {
    const all = fields().filter((input) => input.form === field.form && input.checkVisibility());
    const next = all[all.indexOf(field) + 1];
    if (next) next.focus();
    else KEYS.done();
  },
  own: () => {
    const last = field;
    close();
    last.dataset.ownKeys = "yes";
    last.blur();
    last.focus();
  },
};

function press(key) {
  if (key.dataset.unit !== undefined) {
    unitsOf(field).value = key.dataset.unit;
    for (const other of key.parentElement.children) other.setAttribute("aria-pressed", String(other === key));
  } else if (KEYS[key.dataset.key]) KEYS[key.dataset.key]();
  else put(field.value + key.dataset.key);
}

if (made && matchMedia("(pointer: coarse)").matches) {
  // The field keeps the focus, so that a keyboard goes on working and nothing jumps.
  made.addEventListener("pointerdown", (event) => event.preventDefault());
  made.addEventListener("click", (event) => {
    const key = event.target.closest("button");
    if (key && field) press(key);
  });
  document.addEventListener("focusin", (event) => {
    const input = event.target;
    if (made.contains(input)) return;
    if (!fields().includes(input) || input.dataset.ownKeys) {
      if (field) close();
    } else if (input !== field) {
      if (field) field.inputMode = field.dataset.pad;
      open(input);
    }
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && field) KEYS.done();
  });
  document.addEventListener("input", (event) => {
    if (event.target === field && event.isTrusted) shown();
  });
}
