// The browser's database of the bedside page: entries not yet on the server, and the last known state of a session.
export const NAME = "tributary-bedside";
export const CHANNEL = "tributary-bedside";
// Held by every open bedside page, so that a log-out can wait until all of them have stopped.
export const OPEN = "tributary-bedside-open";

/**
 * @template T
 * @param {IDBRequest<T>} request
 * @returns {Promise<T>}
 */
export function asked(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/**
 * Resolves when the transaction is on the disk, not merely accepted.
 * @param {IDBTransaction} transaction
 * @returns {Promise<void>}
 */
export function written(transaction) {
  return new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error);
  });
}

/**
 * @param {IDBDatabase} db
 * @param {string[]} stores
 */
export function writing(db, stores) {
  return db.transaction(stores, "readwrite", { durability: "strict" });
}

export async function openDatabase() {
  const request = indexedDB.open(NAME, 1);
  request.onupgradeneeded = () => {
    const db = request.result;
    db.createObjectStore("keys");
    db.createObjectStore("sessions", { keyPath: "session" });
    // `sequence` is the tablet's own count, so order depends on no clock. `author` and `state` choose what is sent.
    db.createObjectStore("entries", { keyPath: "sequence", autoIncrement: true });
  };
  const db = await asked(request);
  // A log-out in another tab deletes the database; an open connection would hold it up.
  db.onversionchange = () => db.close();
  return db;
}
