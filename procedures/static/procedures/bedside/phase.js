// Where the procedure stands and what is sensible next. A suggestion in words; nothing is done by itself. Pure functions.
export const PHASES = ["Access", "Coronary sinus", "Venogram", "Testing sites", "Decision", "Closing", "Signing"];

/**
 * @param {Shown} state
 * @param {string} kind
 */
export function logged(state, kind) {
  return state.entries.filter((entry) => entry.kind === kind);
}

/**
 * The place in `PHASES`; one past its end once signed.
 * @param {Shown} state
 */
export function standing(state) {
  /** @param {string} kind */
  const has = (kind) => state.entries.some((entry) => entry.kind === kind);
  if (state.session?.status === "signed") return 7;
  if (has("access_closed")) return 6;
  if (has("decision") || state.decisions.length) return 5;
  if (state.sites.length || has("site_reached")) return 3;
  if (has("venogram")) return 3;
  if (has("cs_cannulated")) return 2;
  return has("access") ? 1 : 0;
}

/**
 * @param {Shown} state
 * @returns {[number, string]} a moment in ms, and what it is
 */
export function startedAt(state) {
  const first = logged(state, "access")[0]?.occurred_at ?? null;
  return first ? [Date.parse(first), "since access"] : [Date.parse(state.session?.started_at), "since the start"];
}

/**
 * What to offer as one button: `log` names an event, `go` a place of the page.
 * @param {Shown} state
 * @returns {{text: string, why: string, log?: string, go?: string} | null}
 */
export function next(state) {
  const measuredAt = new Set(state.measurements.map((one) => one.site));
  const open = state.sites.filter((site) => site.reached !== false && !measuredAt.has(site.key)).at(-1);
  switch (standing(state)) {
    case 0:
      return { text: "Access", why: "The procedure starts with access.", log: "access" };
    case 1:
      return { text: "Coronary sinus cannulated", why: "After access.", log: "cs_cannulated" };
    case 2:
      return { text: "Venogram", why: "Before choosing a vein.", log: "venogram" };
    case 3:
      if (open) return { text: `Measure at ${open.label}`, why: "No measurements here yet.", go: `measure/${open.key}` };
      if (!state.sites.length) return { text: "New site", why: "Enter the first position.", go: "site" };
      return { text: "New site", why: `${state.sites.length} entered so far.`, go: "site" };
    case 5:
      return { text: "Access closed", why: "After the decision.", log: "access_closed" };
    case 6:
      return { text: "Check and sign", why: "See first what is missing.", go: "check" };
    default:
      return null;
  }
}
