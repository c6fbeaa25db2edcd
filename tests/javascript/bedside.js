// A tablet without a browser: the page's store and sync, with an outbox in memory and a server that can be told to fail.
import { script } from "./static.js";

class Target extends EventTarget {
  visibilityState = "visible";
  documentElement = { dataset: {} };
  body = { replaceChildren() {} };
}
globalThis.document = new Target();
globalThis.addEventListener = () => {};
globalThis.removeEventListener = () => {};
Object.defineProperty(globalThis, "navigator", {
  configurable: true,
  value: { locks: { request: (_name, _options, act) => act({}) } },
});
globalThis.BroadcastChannel = class {
  postMessage() {}
};

const { Store } = await script("procedures/bedside/store.js");
export const { NeedsLogIn, NoLine, Refused, TryLater } = await script("procedures/bedside/transport.js");

const VOCABULARY = {
  collections: { session: "session", log_entry: "entries", site: "sites", lead_measurement: "measurements" },
  fields: { site: ["label"], log_entry: ["occurred_at", "kind"], lead_measurement: ["site"] },
};

class MemoryOutbox {
  rows = new Map();
  device = "tablet";
  #sequence = 0;

  async add(session, author, entry) {
    const row = { ...entry, sequence: (this.#sequence += 1), session, author, state: "waiting", since: Date.now() };
    this.rows.set(row.sequence, row);
    return structuredClone(row);
  }

  async all() {
    return structuredClone([...this.rows.values()]);
  }

  async settle({ gone = [], changed = [] }) {
    for (const sequence of gone) this.rows.delete(sequence);
    for (const row of changed) this.rows.set(row.sequence, structuredClone(row));
  }

  async remember() {}
  async forget() {}
  async withdraw() {}
  async known() {
    return { state: { vocabulary: VOCABULARY, records: {}, rights: {}, me: "me", cursor: "0" } };
  }
  close() {}
}

/** A server that takes everything, once: `fails` are thrown one a request, `refuses(entry)` answers one entry. */
export class Server {
  me = "me";
  clockAheadMs = 0;
  stored = [];
  batches = [];
  fails = [];
  refuses = () => null;
  losesAnswer = false;

  stop() {}

  async token() {
    if (this.fails.length) throw this.fails.shift();
    return { me: this.me, token: "token", server_now: new Date(Date.now() + this.clockAheadMs).toISOString() };
  }

  async session() {
    if (this.fails.length) throw this.fails.shift();
    return { me: this.me, answer: null };
  }

  async send({ entries }) {
    this.batches.push(entries.map(({ payload }) => payload.label ?? payload.site ?? payload.kind));
    const whole = this.refusesBatch?.(entries);
    if (whole) throw whole;
    const answers = entries.map((entry) => {
      if (this.stored.includes(entry.id)) return { status: "replayed", record: this.#record(entry) };
      const refused = this.refuses(entry);
      if (refused) return refused;
      this.stored.push(entry.id);
      return { status: "stored", record: this.#record(entry) };
    });
    if (this.losesAnswer) {
      this.losesAnswer = false;
      throw new NoLine("lost");
    }
    return { answers };
  }

  #record({ key, payload }) {
    return { key, version: 1, ...payload };
  }
}

export function lock(on) {
  if (on) globalThis.document.documentElement.dataset.locked = "";
  else delete globalThis.document.documentElement.dataset.locked;
}

/** Open a page on a session; `round` is one attempt to send. */
export async function tablet(server) {
  const store = new Store("session", new MemoryOutbox(), server);
  await store.begin();
  await store.sync.firstAnswer();
  return {
    store,
    async round() {
      await store.sync.now();
      await store.sync.now();
    },
    log: (kind) => store.put("log_entry", { kind, occurred_at: new Date().toISOString() }),
    [Symbol.for("close")]: () => store.close(),
  };
}
