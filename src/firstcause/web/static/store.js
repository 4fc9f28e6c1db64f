// What this device keeps: entries that wait for the casebook, and pages of cases to read without it. IndexedDB works
// on plain http by the name of a machine in the shop, where a service worker does not.

let opening = null;

function opened() {
  opening ??= new Promise((done, failed) => {
    const asked = indexedDB.open("firstcause", 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("waiting", { keyPath: "n", autoIncrement: true });
      asked.result.createObjectStore("heads", { keyPath: "before" });
      asked.result.createObjectStore("pages", { keyPath: "address" });
    };
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
  return opening;
}

async function within(name, mode, act) {
  const db = await opened();
  return new Promise((done, failed) => {
    const work = db.transaction(name, mode, mode === "readwrite" ? { durability: "strict" } : undefined);
    const asked = act(work.objectStore(name));
    work.oncomplete = () => done(asked?.result);
    work.onerror = () => failed(work.error);
    work.onabort = () => failed(work.error);
  });
}

export const all = (name) => within(name, "readonly", (place) => place.getAll());
export const keys = (name) => within(name, "readonly", (place) => place.getAllKeys());
export const get = (name, key) => within(name, "readonly", (place) => place.get(key));
export const put = (name, value) => within(name, "readwrite", (place) => place.put(value));
export const remove = (name, key) => within(name, "readwrite", (place) => place.delete(key));
export const clear = (name) => within(name, "readwrite", (place) => place.clear());
