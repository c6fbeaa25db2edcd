// The one door between the bedside page and everything that keeps and sends. Nothing is shown before it is safe.
import { CHANNEL, OPEN } from "./database.js";
import { Outbox } from "./outbox.js";
import { completed, merged, overlay, placed } from "./overlay.js";
import { settled, takenOver, troubled } from "./settling.js";
import { Sync } from "./sync.js";
import { NoLine, Transport } from "./transport.js";
import { uuid7 } from "./uuid7.js";

// The last known state of another session is forgotten after a day; this one's stays as long as it is open.
const STATE_MAX_AGE_MS = 24 * 3600 * 1000;

const LOOK_MS = 300;
const LOOKS = 100;
const ASK_MS = 1000;

/** @param {number} ms */
function pause(ms) {
  return new Promise((resolve) => {
    setTimeout(resolve, ms);
  });
}

export class NotLoaded extends Error {
  constructor() {
    super("This session has not been opened on this tablet while it was connected. Connect once to load it.");
  }
}

export class Locked extends Error {
  constructor() {
    super("This page is locked. Unlock it, then enter this again.");
  }
}

/**
 * @param {Key} session
 * @param {{base?: string}} options
 */
export async function openStore(session, { base = "/api/v1/bedside" } = {}) {
  if (!globalThis.isSecureContext) throw new Error("Entries can only be kept over a secure connection (https).");
  const store = new Store(session, await Outbox.open(), new Transport(base));
  await store.begin();
  return store;
}

export class Store {
  /** @type {Set<(store: Store) => void>} */
  #listeners = new Set();
  /** @type {Promise<void>} */
  #tail = Promise.resolve();
  #added = 0;
  /** @type {Promise<void> | null} */
  #returning = null;
  #letGo = () => {};

  /**
   * @param {Key} session
   * @param {Outbox} outbox
   * @param {Transport} transport
   */
  constructor(session, outbox, transport) {
    this.session = session;
    this.outbox = outbox;
    // Who is logged in, as far as this tablet knows; of anybody else's entries only their number and times are shown.
    /** @type {string | null} */
    this.me = null;
    /** @type {Known | null} */
    this.known = null;
    /** @type {Entry[]} */
    this.pending = [];
    this.writing = 0; // entries on their way to the disk
    /** @type {Set<Key>} */
    this.sending = new Set();
    /** @type {Shown | null} */
    this.state = null;
    /** @type {Line} */
    this.line = { online: false, lastSeen: null, needsLogIn: false, missing: false, clockAheadS: 0, failure: "" };
    this.channel = new BroadcastChannel(CHANNEL);
    this.sync = new Sync(this, transport);
  }

  async begin() {
    navigator.storage?.persist?.();
    const kept = await this.outbox.known(this.session);
    if (kept) this.known = kept.state;
    this.me = this.known?.me ?? null;
    await this.outbox.forget(STATE_MAX_AGE_MS, this.session);
    this.pending = await this.outbox.all();
    this.channel.onmessage = ({ data }) => this.#heard(data);
    navigator.locks.request(OPEN, { mode: "shared" }, () => new Promise((resolve) => {
      this.#letGo = () => resolve(undefined);
    }));
    addEventListener("beforeunload", (event) => {
      if (this.pending.length || this.writing) event.preventDefault();
    });
    this.#changed();
    this.sync.start();
    // While the page was hidden somebody else may have logged in: the first entry waits a moment for who it is.
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible") this.#returning = this.sync.now();
    });
    // Offline the page shows what it has; online it waits for the first answer, but not long.
    if (!this.known) await this.sync.firstAnswer();
  }

  get counts() {
    const mine = this.#mine();
    const attention = mine.filter((entry) => entry.state === "attention").length;
    return {
      here: this.pending.length - attention,
      attention,
      colleagues: this.pending.length - mine.length,
      sending: this.sending.size,
      ...this.line,
    };
  }

  get attention() {
    return this.#mine().filter((entry) => entry.state === "attention").map(troubled);
  }

  // Entries of this session by others, without a word of them.
  get colleagues() {
    const times = this.#theirs().map((entry) => Date.parse(entry.captured_at)).sort((a, b) => a - b);
    const may = Boolean(this.state) && this.me !== null && !this.line.needsLogIn;
    return { count: times.length, first: times[0], last: times.at(-1), may };
  }

  #mine() {
    return this.pending.filter((entry) => entry.author === this.me);
  }

  #theirs() {
    return this.pending.filter((entry) => entry.author !== this.me && entry.session === this.session);
  }

  /** @param {(store: Store) => void} listener */
  subscribe(listener) {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  /**
   * Resolves when the entry is on the disk. `key` names a record there is; without one a new record is made.
   * @param {string} kind
   * @param {Record<string, unknown>} payload
   * @param {{key?: Key | null, version?: number | null, confirmed?: boolean}} options
   */
  put(kind, payload, { key = null, version = null, confirmed = false } = {}) {
    return this.#inTurn(() => this.#add(kind, payload, { key, version, confirmed, remove: false }));
  }

  /**
   * @param {string} kind
   * @param {Key} key
   */
  remove(kind, key) {
    return this.#inTurn(() => this.#add(kind, {}, { key, version: null, confirmed: false, remove: true }));
  }

  /**
   * @param {Key} key
   * @param {Parameters<typeof settled>[2]} choice
   */
  settle(key, choice) {
    return this.#inTurn(async () => {
      const entry = this.#mine().find((one) => one.key === key && one.state === "attention");
      if (entry) await this.#rewrite(settled(entry, this.#mine(), choice));
    });
  }

  takeOver() {
    return this.#inTurn(async () => {
      if (this.colleagues.may) await this.#rewrite(takenOver(this.#theirs(), this.me));
    });
  }

  /** @param {Settlement} change */
  async #rewrite(change) {
    await this.outbox.settle(change);
    await this.reload();
    this.channel.postMessage({ type: "outbox" });
    this.sync.soon();
  }

  sendNow() {
    return this.sync.now();
  }

  /**
   * @param {string} kind
   * @param {Key} key
   * @returns {Item | null}
   */
  item(kind, key) {
    const name = this.known?.vocabulary.collections[kind];
    if (!name) return null;
    const items = name === "session" ? [this.state?.session] : this.state?.[name];
    return items?.find((/** @type {Item | null} */ one) => one?.key === key) ?? null;
  }

  /**
   * @param {string} kind
   * @param {Record<string, unknown>} changes
   * @param {{key: Key | null, version: number | null, confirmed: boolean, remove: boolean}} options
   */
  async #add(kind, changes, { key, version, confirmed, remove }) {
    if (this.#returning) {
      await Promise.race([this.#returning, pause(ASK_MS)]).catch(() => {});
      this.#returning = null;
    }
    if (!this.known) throw new NotLoaded();
    const { known: { vocabulary }, me } = this;
    const item = key ? this.item(kind, key) : null;
    const earlier = this.#mine().findLast((entry) => entry.key === key && entry.kind === kind);
    /** @type {Record<string, unknown>} */
    const payload = remove ? {} : completed(vocabulary, kind, item, changes);
    if (confirmed) payload.confirmed = true;
    const entry = await this.outbox.add(this.session, me, {
      id: uuid7(),
      kind,
      key: key ?? uuid7(),
      version: earlier ? null : (version ?? item?.version ?? null),
      based_on: earlier?.id ?? null,
      captured_at: new Date().toISOString(),
      captured_by: me,
      remove,
      payload,
    });
    this.#added += 1;
    if (!this.pending.some((one) => one.id === entry.id)) this.pending.push(entry);
    this.channel.postMessage({ type: "outbox" });
    this.#changed();
    this.sync.soon();
    return this.item(kind, entry.key);
  }

  /**
   * Two entries made in the same instant keep their order although each waits for its sealing.
   * @template T
   * @param {() => Promise<T>} task
   * @returns {Promise<T>}
   */
  #inTurn(task) {
    this.writing += 1;
    const done = this.#tail.then(() => {
      if ("locked" in document.documentElement.dataset) throw new Locked();
      return task();
    });
    const over = () => {
      this.writing -= 1;
    };
    this.#tail = done.then(over, over);
    return done;
  }

  /**
   * Called by the sync: what the server said about the session.
   * @param {Known | null} answer
   */
  async learned(answer) {
    if (answer === null) return;
    this.me = answer.me;
    this.known = merged(this.known, answer);
    this.#changed();
    await this.outbox.remember(this.session, this.known);
  }

  /**
   * Called by the sync: entries the server has, and entries it could not take. Both are one transaction on the disk.
   * @param {{entry: Entry, record?: Item | null}[]} stored
   * @param {Entry[]} changed
   */
  async answered(stored, changed) {
    const collections = this.known?.vocabulary.collections ?? {};
    /** @type {{collection: string, record: Item}[]} */
    const records = [];
    for (const { entry, record } of stored) {
      const collection = collections[entry.kind];
      if (record && collection && entry.session === this.session) records.push({ collection, record });
    }
    const taken = new Set(stored.filter(({ entry }) => entry.remove).map(({ entry }) => entry.key));
    /** @type {Known | null} */
    let state = null;
    if (this.known && (records.length || taken.size)) {
      state = { ...this.known, records: { ...this.known.records } };
      for (const name of Object.keys(state.records)) {
        state.records[name] = state.records[name].filter((record) => !taken.has(record.key));
      }
      for (const { collection, record } of records) {
        state.records[collection] = placed(state.records[collection] ?? [], [record]);
      }
    }
    const gone = stored.map(({ entry }) => entry.sequence);
    await this.outbox.settle({ gone, changed, session: this.session, state });
    if (state) this.known = state;
    await this.reload();
    this.channel.postMessage({ type: "outbox", session: this.session, records });
  }

  async reload() {
    /** @type {Entry[]} */
    let found;
    let count;
    // What is entered while the disk is read would be missing from what was read.
    do {
      count = this.#added;
      found = await this.outbox.all();
    } while (count !== this.#added);
    this.pending = found;
    this.#changed();
  }

  /**
   * Called by the sync: how the line is. Each look at the server alone is no news.
   * @param {Partial<Line>} line
   */
  told(line) {
    const names = /** @type {(keyof Line)[]} */ (Object.keys(line));
    const news = names.some((name) => name !== "lastSeen" && !Object.is(line[name], this.line[name]));
    Object.assign(this.line, line);
    if (news) this.#tell();
  }

  /**
   * Called by the sync: which entries are under way.
   * @param {Entry[]} entries
   * @param {boolean} sending
   */
  underWay(entries, sending) {
    for (const { id } of entries) {
      if (sending) this.sending.add(id);
      else this.sending.delete(id);
    }
    this.#changed();
  }

  // Called by the sync with each answer: who is logged in. Says whether that is somebody else than before; what was known
  // holds another's rights and is asked for anew.
  /** @param {string | null} me */
  isNow(me) {
    if (me === null || me === this.me) return false;
    this.me = me;
    if (this.known) this.known = { ...this.known, me, cursor: null };
    this.#changed();
    return true;
  }

  // Called by the sync: the server does not show this session to the user who is logged in, so the tablet does not either.
  async withdraw() {
    if (!this.known) return;
    this.known = this.state = this.me = null;
    this.#tell();
    await this.outbox.withdraw(this.session);
  }

  /** @param {{type: string, session?: Key, records?: {collection: string, record: Item}[]}} news */
  async #heard({ type, session, records }) {
    if (type === "left") return this.#leave();
    if (type === "logged-in") return this.sync.now();
    if (records?.length && session === this.session && this.known) {
      const laid = { ...this.known.records };
      for (const { collection, record } of records) laid[collection] = placed(laid[collection] ?? [], [record]);
      this.known = { ...this.known, records: laid };
    }
    await this.reload();
  }

  // Logged out in another tab: nothing of the session stays on the screen either.
  async #leave() {
    this.close();
    this.pending = [];
    document.body.replaceChildren();
    // The other tab is still about to log out; only when it has does the way lead to the log-in.
    const transport = new Transport(this.sync.transport.base);
    for (let look = 0; look < LOOKS; look += 1) {
      const loggedOut = await transport.token().then(({ me }) => me === null, (error) => error instanceof NoLine);
      if (loggedOut) break;
      await new Promise((resolve) => {
        setTimeout(resolve, LOOK_MS);
      });
    }
    location.replace("/");
  }

  close() {
    this.sync.stop();
    this.outbox.close();
    this.#letGo();
  }

  #changed() {
    if (this.known) {
      const ours = this.#mine().filter((entry) => entry.session === this.session);
      this.state = overlay(this.known, ours, this.sending);
    }
    this.#tell();
  }

  #tell() {
    for (const listener of this.#listeners) listener(this);
  }
}
