// What a session looks like from here. Pure functions.

/**
 * Earlier first. Times are compared as moments: the server writes its own zone, a tablet UTC.
 * @param {Item} a
 * @param {Item} b
 */
function inTime(a, b) {
  return Date.parse(a.occurred_at) - Date.parse(b.occurred_at) || a.key.localeCompare(b.key);
}

/**
 * The server's last known state of a session with this tablet's unsent entries laid over it.
 * @param {Known} known
 * @param {Entry[]} pending
 * @param {Set<Key>} sending
 * @returns {Shown}
 */
export function overlay(known, pending, sending) {
  const collections = known.vocabulary.collections;
  /** @type {Record<string, Map<Key, Item>>} */
  const laid = {};
  for (const name of Object.values(collections)) {
    laid[name] = new Map();
    for (const record of known.records[name] ?? []) laid[name].set(record.key, { ...record, sync: "server" });
  }
  for (const entry of pending) {
    const items = laid[collections[entry.kind]];
    if (!items) continue;
    const sync = sending.has(entry.id) ? "sending" : entry.state === "attention" ? "attention" : "here";
    const before = items.get(entry.key);
    if (entry.remove) {
      if (before) items.set(entry.key, { ...before, sync, removed: true });
      continue;
    }
    items.set(entry.key, { ...before, ...entry.payload, key: entry.key, version: before?.version ?? null, sync });
  }
  /** @type {any} */
  const state = {
    vocabulary: known.vocabulary,
    rights: known.rights,
    completeness: known.completeness,
    me: known.me,
  };
  for (const [name, items] of Object.entries(laid)) {
    state[name] = [...items.values()].filter((item) => !(item.removed && item.sync !== "attention"));
  }
  state.entries.sort(inTime);
  state.session = state.session[0] ?? null;
  return state;
}

/**
 * Takes an answer of the server in: whole, or only what changed.
 * @param {Known | null} known
 * @param {Known} answer
 * @returns {Known}
 */
export function merged(known, answer) {
  if (answer.whole || !known) return answer;
  const removed = new Set(answer.removed ?? []);
  const records = { ...known.records };
  for (const name of Object.keys(records)) {
    if (removed.size) records[name] = records[name].filter((record) => !removed.has(record.key));
  }
  for (const [name, changed] of Object.entries(answer.records)) records[name] = placed(records[name] ?? [], changed);
  return { ...known, ...answer, records };
}

/**
 * @param {Item[]} records
 * @param {Item[]} changed
 */
export function placed(records, changed) {
  const byKey = new Map(records.map((record) => [record.key, record]));
  for (const record of changed) {
    // An answer that was under way while a newer one arrived does not turn the record back.
    if (!((byKey.get(record.key)?.version ?? 0) > (record.version ?? 0))) byKey.set(record.key, record);
  }
  return [...byKey.values()];
}

/**
 * What an entry sends: the whole record, of which only the changed fields are new.
 * @param {Vocabulary} vocabulary
 * @param {string} kind
 * @param {Item | null} item
 * @param {Record<string, unknown>} changes
 */
export function completed(vocabulary, kind, item, changes) {
  /** @type {Record<string, unknown>} */
  const kept = {};
  for (const name of vocabulary.fields[kind] ?? []) if (item && name in item) kept[name] = item[name];
  return { ...kept, ...changes };
}
