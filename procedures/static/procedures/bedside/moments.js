// Everything of a session in order of time, as rows for the list of last entries. Pure functions.
import { enteredAt, labelOf, measured, stepped, tributaryName } from "./words.js";

/**
 * @param {Shown} state
 * @param {Key} key
 */
function siteOf(state, key) {
  return state.sites.find((site) => site.key === key)?.label ?? "a site";
}

/** @type {Record<string, (state: Shown, one: Item) => [string, Moment | null, string, string]>} */
const ROWS = {
  entries: (state, one) => ["log_entry", one.occurred_at, labelOf(state.vocabulary.entry_kinds, one.kind), one.text],
  sites: (state, one) => {
    const reached = one.reached === false ? `not reached: ${reason(state, one.not_reached_reason)}` : "";
    const where = [tributaryName(state, one.tributary), one.aha_segment ? `segment ${one.aha_segment}` : ""];
    return ["site", null, `Site ${one.label}`, reached || where.filter(Boolean).join(", ")];
  },
  measurements: (state, one) => ["lead_measurement", one.measured_at, `Measured at ${siteOf(state, one.site)}`, measured(one)],
  threshold_tests: (state, one) => {
    const words = stepped(one.steps, one.pulse_width_ms);
    return ["threshold_test", one.tested_at, `Threshold test at ${siteOf(state, one.site)}`, words];
  },
  difficulties: (state, one) => {
    const about = one.site ? siteOf(state, one.site) : tributaryName(state, one.tributary);
    const words = [about, one.text].filter(Boolean).join(": ");
    return ["difficulty", one.noted_at, `Difficulty: ${reason(state, one.reason)}`, words];
  },
  scanned_parts: (state, one) => {
    const words = one.device_identifier ? `device identifier ${one.device_identifier}` : "";
    return ["scanned_part", one.scanned_at, `Scanned: ${labelOf(state.vocabulary.parts, one.part)}`, words];
  },
  decisions: (state, one) => {
    const chosen = one.site ? siteOf(state, one.site) : "no site";
    return ["decision", one.decided_at, `Decision: ${chosen}`, one.reason];
  },
};

/**
 * @param {Shown} state
 * @param {string} value
 */
export function reason(state, value) {
  return labelOf(state.vocabulary.obstacles, value).toLowerCase();
}

/** @param {Shown} state */
export function moments(state) {
  const rows = [];
  for (const [collection, row] of Object.entries(ROWS)) {
    for (const one of state[collection] ?? []) {
      const [kind, at, title, words] = row(state, one);
      const when = at ? Date.parse(at) : enteredAt(one.key);
      rows.push({ key: one.key, kind, at: when, title, words: words ?? "", sync: one.sync, record: one });
    }
  }
  return rows.sort((a, b) => b.at - a.at || (a.key < b.key ? 1 : -1));
}
