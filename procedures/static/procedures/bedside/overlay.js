// The server's last known state of a session with this tablet's unsent entries laid over it. Pure functions.
export function overlay(known, pending, sending) {
  const collections = known.vocabulary.collections;
  const laid = {};
  for (const name of Object.values(collections)) {
    laid[name] = new Map((known.records[name] ?? []).map((record) => [record.key, { ...record, sync: "server" }]));
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
  const state = {
    vocabulary: known.vocabulary,
    rights: known.rights,
    completeness: known.completeness,
    me: known.me,
  };
  for (const [name, items] of Object.entries(laid)) {
    state[name] = [...items.values()].filter((item) => !(item.removed && item.sync !== "attention"));
  }
  state.entries.sort((a, b) => a.occurred_at.localeCompare(b.occurred_at) || a.key.localeCompare(b.key));
  state.session = state.session[0] ?? null;
  return state;
}

// Takes an answer of the server in: whole, or only what changed.
export function merged(known, answer) {
  if (answer.whole) return answer;
  const removed = new Set(answer.removed ?? []);
  const records = { ...known.records };
  for (const name of Object.keys(records)) {
    if (removed.size) records[name] = records[name].filter((record) => !removed.has(record.key));
  }
  for (const [name, changed] of Object.entries(answer.records)) records[name] = placed(records[name] ?? [], changed);
  return { ...known, ...answer, records };
}

export function placed(records, changed) {
  const byKey = new Map(records.map((record) => [record.key, record]));
  for (const record of changed) {
    // An answer that was under way while a newer one arrived does not turn the record back.
    if (!(byKey.get(record.key)?.version > record.version)) byKey.set(record.key, record);
  }
  return [...byKey.values()];
}

// What an entry sends: the whole record, of which only the changed fields are new.
export function completed(vocabulary, kind, item, changes) {
  const kept = {};
  for (const name of vocabulary.fields[kind] ?? []) if (item && name in item) kept[name] = item[name];
  return { ...kept, ...changes };
}
