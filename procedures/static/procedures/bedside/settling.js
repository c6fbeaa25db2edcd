// Entries that need a person: what is shown of them, and what each choice does to the outbox. Pure functions.
import { uuid7 } from "./uuid7.js";

const TIME = /^\d{4}-\d{2}-\d{2}T/;

/**
 * Both values side by side; fields in which they agree need no choice.
 * @param {Entry} entry
 */
export function troubled(entry) {
  const problem = entry.problem ?? {};
  const stored = problem.stored ?? null;
  const differing = Object.keys(entry.payload)
    .filter((name) => stored && name in stored && !same(stored[name], entry.payload[name]))
    .map((name) => ({ name, mine: entry.payload[name], theirs: stored?.[name] }));
  return {
    id: entry.id,
    key: entry.key,
    kind: entry.kind,
    session: entry.session,
    captured_at: entry.captured_at,
    mine: entry.payload,
    remove: entry.remove,
    theirs: stored,
    differing,
    code: problem.code,
    message: problem.message,
    fields: problem.fields ?? {},
  };
}

/**
 * Whether two values say the same; times may be written in two ways.
 * @param {unknown} one
 * @param {unknown} other
 */
export function same(one, other) {
  if (one === other) return true;
  if (typeof one === "string" && typeof other === "string") {
    const times = [Date.parse(one), Date.parse(other)];
    return TIME.test(one) && TIME.test(other) && times[0] === times[1];
  }
  return JSON.stringify(one ?? null) === JSON.stringify(other ?? null);
}

/**
 * Two tablets entered the same thing under two keys: what was said of ours is said of the one on the server. An edit of
 * ours has no version there, so the server will show both values rather than let it through.
 * @param {Entry} entry
 * @param {Entry[]} pending
 * @param {Key} theirs
 * @returns {Settlement}
 */
function merged(entry, pending, theirs) {
  /** @type {Entry[]} */
  const changed = [];
  for (const one of pending) {
    if (one.id === entry.id) continue;
    const names = Object.keys(one.payload).filter((name) => one.payload[name] === entry.key);
    if (one.key === entry.key) changed.push({ ...one, key: theirs, version: null, based_on: null });
    else if (names.length) {
      const payload = { ...one.payload, ...Object.fromEntries(names.map((name) => [name, theirs])) };
      changed.push({ ...one, payload });
    }
  }
  return { gone: [entry.sequence], changed };
}

/**
 * What to delete and what to rewrite.
 * @param {Entry} entry
 * @param {Entry[]} pending
 * @param {"mine" | "theirs" | "discard" | "retry" | Record<string, unknown>} choice
 * @returns {Settlement}
 */
export function settled(entry, pending, choice) {
  const { problem, ...rest } = entry;
  if (choice === "retry") return { changed: [{ ...rest, state: "waiting", since: Date.now() }] };
  if (choice === "theirs" && problem?.stored && problem.stored.key !== entry.key) return merged(entry, pending, problem.stored.key);
  const followers = pending.filter((one) => one.based_on === entry.id);
  if (choice === "theirs" || choice === "discard") {
    // A later edit of the same record now starts where this one did; if that is stale, it asks as well.
    const { version, based_on } = entry;
    return { gone: [entry.sequence], changed: followers.map((one) => ({ ...one, version, based_on })) };
  }
  /** @type {Entry} */
  const renewed = { ...rest, id: uuid7(), state: "waiting" };
  if (typeof choice === "object") renewed.payload = { ...entry.payload, ...choice };
  if (problem?.stored && problem.stored.key === entry.key) Object.assign(renewed, { version: problem.stored.version, based_on: null });
  if (["removed", "waits"].includes(problem?.code ?? "")) Object.assign(renewed, { version: null, based_on: null });
  return { changed: [renewed, ...followers.map((one) => ({ ...one, based_on: renewed.id }))] };
}

/**
 * Somebody sends a colleague's entries under their own name; what was wrong with them is then theirs to see.
 * @param {Entry[]} entries
 * @param {string | null} me
 * @returns {Settlement}
 */
export function takenOver(entries, me) {
  return { changed: entries.map(({ problem: _, ...rest }) => ({ ...rest, author: me, state: "waiting" })) };
}
