// The store: one append-only log a vineyard in IndexedDB. Nothing counts as taken before its transaction is on the disk.

export const TAB = Array.from(crypto.getRandomValues(new Uint32Array(2)), (part) => part.toString(36)).join("");
const DURABLE = { durability: "strict" };
export const store = { db: null, others: null, log: null, changed: () => {}, lost: () => {} };

function asked(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

function finished(transaction) {
  return new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error ?? new DOMException("", "AbortError"));
  });
}

// `log` is the page's own: `last` is the number of the last record that it holds, `absorb` takes further ones in.
export async function openStore(name, log) {
  store.log = log;
  const opening = indexedDB.open(name, 1);
  opening.onupgradeneeded = () => {
    opening.result.createObjectStore("log", { keyPath: "seq", autoIncrement: true });
    opening.result.createObjectStore("kept");
  };
  store.db = await asked(opening);
  store.db.onclose = () => store.lost();
  if (window.BroadcastChannel) {
    store.others = new BroadcastChannel(name);
    store.others.onmessage = () => catchUp();
  }
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && catchUp());
  navigator.storage?.persist?.().catch(() => {});
  await catchUp();
}

// Read what other tabs of this vineyard have written.
async function catchUp() {
  const before = store.log.last;
  store.log.absorb(await asked(since(store.db.transaction("log").objectStore("log"))));
  if (store.log.last > before) store.changed();
}

function since(records) {
  return records.getAll(IDBKeyRange.lowerBound(store.log.last, true));
}

// Append records in one transaction, all or none. Where another tab has meanwhile written what `clash` names, nothing
// is written and false is returned; the screen then shows what the other tab wrote.
export async function append(records, clash = () => false) {
  const transaction = store.db.transaction("log", "readwrite", DURABLE);
  const ended = finished(transaction);
  ended.catch(() => {});
  const table = transaction.objectStore("log");
  const fresh = await asked(since(table));
  if (fresh.some(clash)) {
    await ended;
    store.log.absorb(fresh);
    return false;
  }
  const written = records.map((record) => ({ ...record, tab: TAB, at: new Date().toISOString() }));
  const numbers = await Promise.all(written.map((record) => asked(table.add(record))));
  await ended;
  store.log.absorb([...fresh, ...written.map((record, place) => ({ ...record, seq: numbers[place] }))]);
  store.others?.postMessage(store.log.last);
  return true;
}

// Change a value in one transaction, so that two tabs that change it at once lose nothing of it.
export async function change(key, edit) {
  const transaction = store.db.transaction("kept", "readwrite", DURABLE);
  const ended = finished(transaction);
  ended.catch(() => {});
  const table = transaction.objectStore("kept");
  table.put(edit(await asked(table.get(key))), key);
  await ended;
}

export function keep(key, value) {
  return change(key, () => value);
}

export async function kept(key, otherwise) {
  return (await asked(store.db.transaction("kept").objectStore("kept").get(key))) ?? otherwise;
}
