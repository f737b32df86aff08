// Photos wait here, on the tablet, until the server has told their checksum: a dropped network or a closed page loses
// nothing. One store in IndexedDB; where the browser refuses it, the photos wait in the open page's memory.

const NAME = "lehrbook-photos";
const STORE = "waiting";
const memory = new Map();
let opening = null;

function open() {
  opening ??= new Promise((resolve) => {
    if (!window.indexedDB) {
      resolve(null);
      return;
    }
    const request = window.indexedDB.open(NAME, 1);
    request.onupgradeneeded = () => request.result.createObjectStore(STORE, { keyPath: "key" });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => resolve(null);
  });
  return opening;
}

function asked(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

async function store(mode) {
  const database = await open();
  return database ? database.transaction(STORE, mode).objectStore(STORE) : null;
}

// item : {user, sheet, url, name, blob, setup, setupName, setupId}; gives back the item with its key.
export async function keep(item) {
  const kept = { ...item, key: `${Date.now()}-${Math.random().toString(36).slice(2)}`, refused: null };
  const shelf = await store("readwrite");
  if (shelf) {
    try {
      await asked(shelf.put(kept));
      navigator.storage?.persist?.();
      return kept;
    } catch {
      // a full disk or a private window: the photo still goes up from memory
    }
  }
  memory.set(kept.key, kept);
  return kept;
}

// All photos that wait, oldest first.
export async function waiting() {
  const shelf = await store("readonly");
  const kept = shelf ? await asked(shelf.getAll()) : [];
  return [...kept, ...memory.values()].sort((a, b) => (a.key < b.key ? -1 : 1));
}

export async function drop(key) {
  memory.delete(key);
  const shelf = await store("readwrite");
  if (shelf) await asked(shelf.delete(key));
}

// Keeps the server's sentence with a photo that it will not take; it stays until somebody removes it.
export async function refuse(item, sentence) {
  const marked = { ...item, refused: sentence };
  if (memory.has(item.key)) {
    memory.set(item.key, marked);
    return;
  }
  const shelf = await store("readwrite");
  if (shelf) await asked(shelf.put(marked));
}
