// Entries of an outbox, numbered in the order in which they are made.
export const NOW = Date.parse("2031-03-04T10:00:00Z");
export const ME = "me";
export const DAY_MS = 24 * 3600 * 1000;

let sequence = 0;

export function entry(changes = {}) {
  sequence += 1;
  return {
    id: `id-${sequence}`, sequence, session: "session", author: ME, state: "waiting", since: NOW - 1000,
    kind: "log_entry", key: `key-${sequence}`, version: null, based_on: null,
    captured_at: "2031-03-04T09:59:59.000Z", captured_by: ME, remove: false, payload: {}, ...changes,
  };
}

export const ids = (entries) => entries.map(({ id }) => id);
