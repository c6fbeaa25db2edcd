// Empties the outbox and asks what others wrote. Background sync of the browser is not relied on: we drain on load,
// when the line or the page comes back, after each entry, and when asked to.
import { leansOn, sendable } from "./queue.js";
import { NeedsLogIn, NoLine, Refused, TryLater } from "./transport.js";

const PERIOD_MS = 1500;
const FIRST_RETRY_MS = 500;
const SLOWEST_MS = 30_000;
const AT_ONCE = 50;
const MOST_FAULTS = 4;
const DRAIN_MS = 2000;
const LOCK = "tributary-bedside-outbox";

const OLD = { code: "old", message: "Entered more than a week ago by this tablet's clock. Should it still be sent?" };
const ALONE = { code: "waits", message: "The entry that this one depends on is neither on the server nor on this tablet." };

/**
 * @param {Entry} entry
 * @param {Problem} problem
 * @returns {Entry}
 */
function needing(entry, problem) {
  return { ...entry, state: "attention", problem };
}

export class Sync {
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  #timer;
  /** @type {Promise<void> | null} */
  #running = null;
  #again = false;
  #failures = 0;
  #stopped = false;
  #most = AT_ONCE;

  /**
   * @param {import("./store.js").Store} store
   * @param {import("./transport.js").Transport} transport
   */
  constructor(store, transport) {
    this.store = store;
    this.transport = transport;
    this.first = Promise.resolve();
    this.wake = () => {
      if (document.visibilityState === "visible") this.now();
    };
  }

  start() {
    addEventListener("online", this.wake);
    addEventListener("pageshow", this.wake);
    document.addEventListener("visibilitychange", this.wake);
    document.addEventListener("unlocked", this.wake);
    this.first = this.now();
  }

  stop() {
    this.#stopped = true;
    this.transport.stop();
    clearTimeout(this.#timer);
    removeEventListener("online", this.wake);
    removeEventListener("pageshow", this.wake);
    document.removeEventListener("visibilitychange", this.wake);
    document.removeEventListener("unlocked", this.wake);
  }

  firstAnswer() {
    return this.first;
  }

  // After an entry: at once when the line is good, else when the waiting for it is over.
  soon() {
    if (this.#failures === 0) this.now();
  }

  now() {
    clearTimeout(this.#timer);
    this.#again = this.#running !== null;
    this.#running ??= this.#round().finally(() => {
      this.#running = null;
      this.#wait();
    });
    return this.#running;
  }

  #wait() {
    if (this.#stopped) return;
    clearTimeout(this.#timer);
    if (this.#again) {
      this.#again = false;
      this.now();
      return;
    }
    const slower = Math.min(FIRST_RETRY_MS * 2 ** this.#failures, SLOWEST_MS);
    // Jitter, so that a ward of tablets does not knock at the same moment when the server is back.
    const pause = this.#failures ? Math.max(slower * (0.5 + Math.random() / 2), this.#askedMs) : PERIOD_MS;
    const hidden = document.visibilityState === "hidden" && this.store.pending.length === 0;
    if (!hidden) this.#timer = setTimeout(() => this.now(), pause);
  }

  #askedMs = 0;
  /** @type {Map<Key, number>} */
  #faults = new Map();

  async #round() {
    const { store } = this;
    try {
      /** @type {TryLater | null} */
      let later = null;
      if (store.pending.length) {
        await this.#drain().catch((error) => {
          if (!(error instanceof TryLater)) throw error;
          later = error;
        });
      }
      // What others wrote is worth knowing even while our own entries have to wait.
      const answer = await this.#news();
      if (later) {
        await store.learned(answer);
        throw later;
      }
      this.#failures = 0;
      this.#askedMs = 0;
      store.told({ online: true, lastSeen: Date.now(), needsLogIn: false, missing: false, failure: "" });
      await store.learned(answer);
    } catch (error) {
      this.#failed(error);
    }
  }

  // What is new; all of it for somebody who was not the one logged in before.
  async #news() {
    const { store } = this;
    const { me, answer } = await this.transport.session(store.session, store.known?.cursor ?? null);
    if (!store.isNow(me) || answer?.whole) return answer;
    return (await this.transport.session(store.session, null)).answer;
  }

  /** @param {unknown} error */
  #failed(error) {
    const { store } = this;
    if (this.#stopped) return;
    if (error instanceof NeedsLogIn) {
      this.#failures = Math.min(this.#failures + 1, 2);
      store.told({ online: true, lastSeen: Date.now(), needsLogIn: true });
    } else if (error instanceof Refused) {
      this.#failures = Math.min(this.#failures + 1, 4);
      const missing = error.status === 404;
      store.told({ online: true, lastSeen: Date.now(), missing, failure: error.message });
      // Only at our own server's word: a gateway that has lost the way must not keep anybody from entering.
      if (error.problem.code === "not_found") store.withdraw();
    } else if (error instanceof NoLine || error instanceof TryLater) {
      this.#failures += 1;
      this.#askedMs = error instanceof TryLater ? error.seconds * 1000 : 0;
      store.told({ online: false });
    } else {
      this.#failures += 1;
      store.told({ failure: String(error) });
      throw error;
    }
  }

  // One tab at a time; the others see the outcome through the database.
  #drain() {
    return navigator.locks.request(LOCK, { ifAvailable: true }, async (lock) => {
      if (!lock) return;
      const { me, token, server_now: serverNow } = await this.transport.token();
      this.store.told({ clockAheadS: Math.round((Date.now() - Date.parse(serverNow)) / 1000) });
      if (me === null) throw new NeedsLogIn();
      this.store.isNow(me);
      const enough = Date.now() + DRAIN_MS;
      let more = true;
      // After a long outage what others wrote is not kept waiting until all is sent.
      while (more && !this.#stopped && Math.abs(enough - Date.now()) <= DRAIN_MS) more = await this.#batch(me, token);
      this.#again ||= more;
    });
  }

  /**
   * Sends one batch; says whether there may be another.
   * @param {string} me
   * @param {string} token
   * @returns {Promise<boolean>}
   */
  async #batch(me, token) {
    const { store } = this;
    // Off the disk: another tab may have settled what this one still shows.
    const { ready, old } = sendable(await store.outbox.all(), me, this.#most);
    if (old.length) await store.answered([], old.map((entry) => needing(entry, OLD)));
    if (!ready.length) return false;
    store.underWay(ready, true);
    try {
      const { answers } = await this.transport.send(this.#wire(ready[0].session, ready), token, me);
      store.told({ online: true, lastSeen: Date.now(), needsLogIn: false });
      this.#most = AT_ONCE;
      return await this.#take(ready, answers);
    } catch (error) {
      if (error instanceof Refused) return await this.#refused(ready, { ...error.problem, message: error.message });
      if (!(error instanceof TryLater) || error.status !== 500 || !this.#isStubborn(ready)) throw error;
      return await this.#refused(ready, { message: "The server could not process this entry, after several attempts." });
    } finally {
      store.underWay(ready, false);
    }
  }

  /**
   * @param {Key} session
   * @param {Entry[]} entries
   */
  #wire(session, entries) {
    /** @param {Entry} entry */
    const wire = ({ id, sequence, kind, key, version, based_on, captured_at, captured_by, remove, payload }) => ({
      ...{ id, sequence, kind, key, version, based_on, captured_at, captured_by, remove, payload },
    });
    return {
      session,
      device: this.store.outbox.device,
      sent_at: new Date().toISOString(),
      entries: entries.map(wire),
    };
  }

  /**
   * @param {Entry[]} entries
   * @param {Answer[]} answers
   */
  async #take(entries, answers) {
    /** @type {{entry: Entry, record?: Item | null}[]} */
    const stored = [];
    /** @type {Entry[]} */
    const changed = [];
    let later = false;
    const stuck = new Set();
    entries.forEach((entry, place) => {
      const { status, record, ...problem } = answers[place];
      if (status === "stored" || status === "replayed") {
        stored.push({ entry, record });
        return;
      }
      if (status === "later") return;
      if (status === "retry") {
        later = true;
        return;
      }
      // Not found because the site, say, was not taken: that one is asked about, and this one follows it.
      const follows = leansOn(entry).some((one) => stuck.has(one)) && (status === "waits" || problem.http === 404);
      stuck.add(entry.id).add(entry.key);
      if (follows) return;
      changed.push(needing(entry, status === "waits" ? ALONE : problem));
    });
    await this.store.answered(stored, changed);
    if (later) throw new TryLater(1);
    return true;
  }

  /**
   * A server that is up but fails at the same entry again and again must not hold up all that follow it.
   * @param {Entry[]} entries
   */
  #isStubborn([first]) {
    const times = (this.#faults.get(first.id) ?? 0) + 1;
    this.#faults.set(first.id, times);
    return times >= MOST_FAULTS;
  }

  /**
   * The batch as a whole was refused: find the entry it was by sending them one by one, and ask about that one.
   * @param {Entry[]} entries
   * @param {Problem} problem
   */
  async #refused(entries, problem) {
    if (entries.length > 1) {
      this.#most = 1;
      return true;
    }
    await this.store.answered([], [needing(entries[0], { code: "refused", ...problem })]);
    return true;
  }
}
