// The state of the line in words. Pure functions.
const CLOCK_OFF_S = 60;

/**
 * @typedef {{here: number, attention: number, colleagues: number, online: boolean, needsLogIn: boolean, missing: boolean,
 *   lastSeen: number | null, clockAheadS: number}} Counts
 */

/**
 * Where the entries are, and how the line is.
 * @param {Counts} counts
 */
export function words(counts, now = Date.now()) {
  /** @type {string[]} */
  const parts = [];
  if (counts.here) parts.push(`${counts.here} ${counts.here === 1 ? "entry" : "entries"} on this tablet only`);
  else if (!counts.attention) parts.push("Everything is on the server");
  if (counts.attention) parts.push(`${counts.attention} ${counts.attention === 1 ? "needs" : "need"} attention`);
  if (counts.colleagues) parts.push(`${counts.colleagues} of them by a colleague who is not logged in`);
  if (counts.needsLogIn) parts.push("log in again to send");
  else if (counts.missing) parts.push("you have no access to this session");
  else if (!counts.online) parts.push(`no response from the server${counts.lastSeen ? ` for ${since(now - counts.lastSeen)}` : ""}`);
  if (Math.abs(counts.clockAheadS) >= CLOCK_OFF_S) {
    const ahead = counts.clockAheadS > 0 ? "ahead" : "behind";
    parts.push(`this tablet's clock is ${since(Math.abs(counts.clockAheadS) * 1000)} ${ahead}`);
  }
  return parts.join(" · ");
}

/** @param {number} ms */
function since(ms) {
  const minutes = Math.round(ms / 60_000);
  if (minutes < 1) return "less than a minute";
  if (minutes < 120) return `${minutes} min`;
  return `${Math.round(minutes / 60)} hours`;
}

/** @param {Counts} counts */
export function kindOf({ attention, needsLogIn, online, here }) {
  if (attention || needsLogIn) return "ask";
  if (!online) return "off";
  return here ? "busy" : "good";
}
