// Entries that the server has not confirmed. Everything but order, state and author is sealed.
import { makeKey, seal, unseal } from "./crypto.js";
import { asked, openDatabase, written, writing } from "./database.js";

// States of a row: "waiting" to be sent, or "attention" of a person.
export class Outbox {
  static async open() {
    const db = await openDatabase();
    // The key is made before the transaction: one that waits for anything else closes by itself.
    const fresh = await makeKey();
    const made = writing(db, ["keys"]);
    const keys = made.objectStore("keys");
    let key = await asked(keys.get("seal"));
    let device = await asked(keys.get("device"));
    if (!key) {
      key = fresh;
      device = crypto.randomUUID();
      keys.put(key, "seal");
      keys.put(device, "device");
    }
    await written(made);
    return new Outbox(db, key, device);
  }

  /** @type {Map<string, any>} */
  #unsealed = new Map();

  /**
   * @param {IDBDatabase} db
   * @param {CryptoKey} key
   * @param {string} device
   */
  constructor(db, key, device) {
    this.db = db;
    this.key = key;
    this.device = device;
  }

  /**
   * @param {Key} session
   * @param {string | null} author
   * @param {Fresh} entry
   * @returns {Promise<Entry>}
   */
  async add(session, author, entry) {
    const sealed = await seal(this.key, entry);
    const transaction = writing(this.db, ["entries"]);
    const state = /** @type {const} */ ("waiting");
    const row = { id: entry.id, session, author, state, since: Date.now(), sealed };
    const sequence = Number(await asked(transaction.objectStore("entries").add(row)));
    await written(transaction);
    return { ...entry, sequence, session, author, state, since: row.since };
  }

  /**
   * Every entry, in the order of entering.
   * @returns {Promise<Entry[]>}
   */
  async all() {
    /** @type {Row[]} */
    const rows = await asked(this.db.transaction("entries").objectStore("entries").getAll());
    const found = await Promise.all(rows.map((row) => this.#opened(row)));
    // Decrypting hundreds of waiting entries again after each answer would be noticeable.
    this.#unsealed = new Map(rows.map((row, place) => [String(row.sealed.iv), found[place].content]));
    return found.map(({ content, ...rest }) => ({ ...content, ...rest }));
  }

  /**
   * Deletes and rewrites rows, and keeps the state of a session, all or nothing.
   * @param {Settlement & {session?: Key | null, state?: Known | null}} what
   */
  async settle({ gone = [], changed = [], session = null, state = null }) {
    const rows = await Promise.all(changed.map((entry) => this.#closed(entry)));
    const kept = state && session && { session, savedAt: Date.now(), sealed: await seal(this.key, state) };
    const transaction = writing(this.db, ["entries", "sessions"]);
    const entries = transaction.objectStore("entries");
    for (const sequence of gone) entries.delete(sequence);
    for (const row of rows) entries.put(row);
    if (kept) transaction.objectStore("sessions").put(kept);
    await written(transaction);
  }

  /**
   * The last known state alone can be had again from the server, so nothing waits for the disk.
   * @param {Key} session
   * @param {Known} state
   */
  async remember(session, state) {
    const row = { session, savedAt: Date.now(), sealed: await seal(this.key, state) };
    const transaction = this.db.transaction(["sessions"], "readwrite", { durability: "relaxed" });
    transaction.objectStore("sessions").put(row);
    await written(transaction);
  }

  /**
   * The last known state of a session the server does not show this person.
   * @param {Key} session
   */
  async withdraw(session) {
    const transaction = writing(this.db, ["sessions"]);
    transaction.objectStore("sessions").delete(session);
    await written(transaction);
  }

  /**
   * @param {Key} session
   * @returns {Promise<{savedAt: number, state: Known} | null>}
   */
  async known(session) {
    const row = await asked(this.db.transaction("sessions").objectStore("sessions").get(session));
    return row ? { savedAt: row.savedAt, state: await unseal(this.key, row.sealed) } : null;
  }

  /**
   * Forgets the states of sessions nobody has opened for a while; entries are never dropped by a clock.
   * @param {number} olderThanMs
   * @param {Key} except
   */
  async forget(olderThanMs, except) {
    const transaction = writing(this.db, ["sessions"]);
    const sessions = transaction.objectStore("sessions");
    for (const row of await asked(sessions.getAll())) {
      if (row.session !== except && Math.abs(Date.now() - row.savedAt) > olderThanMs) sessions.delete(row.session);
    }
    await written(transaction);
  }

  close() {
    this.db.close();
  }

  /** @param {Row} row */
  async #opened(row) {
    const { sealed, ...rest } = row;
    return { content: this.#unsealed.get(String(sealed.iv)) ?? (await unseal(this.key, sealed)), ...rest };
  }

  /** @param {Entry} entry */
  async #closed({ sequence, id, session, author, state, since, ...content }) {
    return { sequence, id, session, author, state, since, sealed: await seal(this.key, { id, ...content }) };
  }
}
