// What this tablet keeps for itself (IndexedDB): entries and photos on their way to the server, and
// a few facts about it. Nothing is told to anybody as kept before its transaction has ended.

const NAME = "tracelog";
const STORES = ["entries", "photos", "facts"];
let opening;

function opened() {
  opening ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("entries", { keyPath: "id" });
      asked.result.createObjectStore("photos", { keyPath: "id" }).createIndex("entry", "entry");
      asked.result.createObjectStore("facts");
    };
    asked.onerror = () => reject(asked.error);
    asked.onsuccess = () => {
      const base = asked.result;
      const forget = () => {
        opening = undefined;
      };
      base.onversionchange = () => {
        base.close();
        forget();
      };
      base.onclose = forget;
      resolve(base);
    };
  }).catch((problem) => {
    opening = undefined;
    throw problem;
  });
  return opening;
}

export function answer(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

// Runs `work` in one transaction and returns what it returns once all of it lies on the disk.
export async function within(mode, work) {
  const base = await opened();
  const transaction = base.transaction(STORES, mode, { durability: "strict" });
  const ended = new Promise((resolve, reject) => {
    transaction.oncomplete = resolve;
    transaction.onabort = () => reject(transaction.error ?? new Error("not kept"));
  });
  let result;
  try {
    result = await work(...STORES.map((name) => transaction.objectStore(name)));
  } catch (problem) {
    ended.catch(() => {});
    try {
      transaction.abort();
    } catch {
      // It has ended by itself.
    }
    throw problem;
  }
  await ended;
  return result;
}

export function fact(name) {
  return within("readonly", (_entries, _photos, facts) => answer(facts.get(name)));
}

export function setFact(name, value) {
  return within("readwrite", (_entries, _photos, facts) => answer(facts.put(value, name)));
}
