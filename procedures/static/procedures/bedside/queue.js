// Which entries may be sent now, in their order. Pure functions.
const MOST_AGE_MS = 7 * 24 * 3600 * 1000;

/**
 * What an entry stands on: its own record, the entry it edits, and the records it names.
 * @param {Entry} entry
 */
export function leansOn({ key, based_on, payload }) {
  return [key, based_on, ...Object.values(payload)];
}

/**
 * What needs a person holds up what stands on it and was entered later; everything else goes on. Somebody else's entries
 * are as those of another tablet: only what stands on something that they alone would bring waits for them.
 * @param {Entry[]} entries in the order of entering
 * @param {string | null} me who is logged in
 * @param {number} most how many at once, all of one session
 */
export function sendable(entries, me, most, now = Date.now()) {
  const stuck = new Set();
  /** @type {Entry[]} */
  const ready = [];
  /** @type {Entry[]} */
  const old = [];
  for (const entry of entries) {
    const { id, key, version, based_on, author, state, since } = entry;
    if (author !== me) {
      stuck.add(id);
      if (version === null && based_on === null) stuck.add(key);
      continue;
    }
    const tooOld = now - since > MOST_AGE_MS;
    if (state === "attention" || tooOld || leansOn(entry).some((one) => stuck.has(one))) {
      stuck.add(id).add(key);
      if (state !== "attention" && tooOld) old.push(entry);
    } else if (ready.length < most && entry.session === (ready[0] ?? entry).session) {
      ready.push(entry);
    }
  }
  return { ready, old };
}
