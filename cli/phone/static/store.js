// Where photos lie on the phone until the server has them.

const STORE = "photos";
const memory = new Map(); // where the phone's own store can't be had

function opened() {
  return new Promise((resolve, reject) => {
    const asked = indexedDB.open("collargap", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "id" });
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
}

async function inStore(mode, work) {
  const db = await opened();
  try {
    return await new Promise((resolve, reject) => {
      const run = db.transaction(STORE, mode);
      const asked = work(run.objectStore(STORE));
      run.oncomplete = () => resolve(asked.result);
      run.onerror = run.onabort = () => reject(run.error);
    });
  } finally {
    db.close();
  }
}

// Whether it is kept for later, too, and not on this page alone.
export async function keep(entry) {
  try {
    await inStore("readwrite", (store) => store.put(entry));
    return true;
  } catch {
    memory.set(entry.id, entry);
    return false;
  }
}

export async function forget(id) {
  memory.delete(id);
  await inStore("readwrite", (store) => store.delete(id)).catch(() => {});
}

export async function waiting() {
  const kept = await inStore("readonly", (store) => store.getAll()).catch(() => []);
  return [...kept, ...memory.values()].sort((a, b) => a.made - b.made);
}

export async function howMany() {
  return memory.size + (await inStore("readonly", (store) => store.count()).catch(() => 0));
}

export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // randomUUID needs https
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}
