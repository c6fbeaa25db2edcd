// Entries the server could not take as they are. Nothing is decided without somebody: both values, and a choice.
// Of what a colleague entered no word is shown, only how much there is and when it was entered.
import { button, h } from "./dom.js";
import { clockTime } from "./words.js";

/** @typedef {import("./store.js").Store} Store */
/** @typedef {Store["attention"][number]} Troubled */
/** @typedef {Parameters<Store["settle"]>[1]} Settled */

/** @type {Record<string, string>} */
const WORDS = {
  occurred_at: "Time",
  kind: "Event",
  text: "Remark",
  label: "Name of the site",
  vein: "Vein",
  notes: "Notes",
};

/** @param {string} name */
function capital(name) {
  return name.replaceAll("_", " ").replace(/^./, (first) => first.toUpperCase());
}

/**
 * @param {Store} store
 * @param {string} name
 */
function label(store, name) {
  const quantity = store.state?.vocabulary.quantities[name];
  if (quantity) return `${quantity.label} [${quantity.unit}]`;
  return WORDS[name] ?? capital(name);
}

/** @param {unknown} value */
export function shown(value) {
  if (value === null || value === undefined || value === "") return "not recorded";
  if (value === true || value === false) return value ? "yes" : "no";
  if (typeof value === "string" && /^\d{4}-\d{2}-\d{2}T/.test(value)) return clockTime(value);
  return typeof value === "object" ? JSON.stringify(value) : String(value);
}

/**
 * @param {Troubled} problem
 * @returns {[Settled, string][]}
 */
function choices(problem) {
  const { code, theirs, remove } = problem;
  if (code === "same_name") return [["theirs", "It is the same one"], [another(problem), "It is a different one"]];
  if (code === "removed" || code === "waits") return [["mine", "Enter it again"], ["discard", "Discard this entry"]];
  if (theirs) return [["mine", remove ? "Remove it" : "Use the entry made here"], ["theirs", "Keep what is on the server"]];
  /** @type {[Settled, string][]} */
  const list = code === "needs_confirmation" ? [[{ confirmed: true }, "The values are correct"]] : [["retry", "Try again"]];
  return [...list, ["discard", "Discard this entry"]];
}

// A second vein of one name is told apart by its number, a second site by its label.
/** @param {Troubled} problem */
function another({ kind, theirs, mine }) {
  return kind === "tributary" ? { ordinal: /** @type {Item} */ (theirs).ordinal + 1 } : { label: `${mine.label} (2)` };
}

/**
 * @param {Store} store
 * @param {Troubled} problem
 */
function messages(store, problem) {
  const all = Object.entries(problem.fields).flatMap(([name, list]) => list.map((text) => [name, text]));
  if (!all.length) return null;
  return h("ul", {}, ...all.map(([name, text]) => {
    const named = !name || text.startsWith(label(store, name).split(" [")[0]);
    return h("li", {}, named ? text : `${label(store, name)}: ${text}`);
  }));
}

/**
 * @param {Store} store
 * @param {Troubled} problem
 */
function bothValues(store, problem) {
  if (!problem.differing.length) return null;
  const titles = ["Entered here", "On the server"].map((title) => h("th", { scope: "col" }, title));
  const rows = problem.differing.map(({ name, mine, theirs }) =>
    h("tr", {}, h("th", { scope: "row" }, label(store, name)), h("td", {}, shown(mine)), h("td", {}, shown(theirs))));
  return h("table", {}, h("thead", {}, h("tr", {}, h("td"), ...titles)), h("tbody", {}, ...rows));
}

/**
 * Each button acts once: its result redraws the tray.
 * @param {[string, () => Promise<unknown>][]} list
 */
function actions(list) {
  const box = h("p", { class: "actions" });
  for (const [text, act] of list) {
    box.append(button(text, async () => {
      const all = /** @type {HTMLButtonElement[]} */ ([...box.children]);
      for (const other of all) other.disabled = true;
      try {
        await act();
      } finally {
        for (const other of all) other.disabled = false;
      }
    }, { class: "bedside" }));
  }
  return box;
}

/**
 * @param {Store} store
 * @param {Troubled} problem
 */
function card(store, problem) {
  const words = problem.mine.text || problem.mine.label || problem.mine.kind || "";
  /** @type {(one: [Settled, string]) => [string, () => Promise<unknown>]} */
  const settle = ([choice, text]) => [text, () => store.settle(problem.key, choice)];
  return h("article", { class: "attention" },
    h("h3", {}, `${capital(problem.kind)} ${shown(problem.captured_at)} ${words}`),
    h("p", {}, problem.message ?? ""),
    messages(store, problem),
    bothValues(store, problem),
    actions(choices(problem).map(settle)));
}

/**
 * @param {Store} store
 * @param {Store["colleagues"]} colleagues
 */
function ofColleagues(store, { count, first, last, may }) {
  const one = count === 1;
  const [from, to] = [first, last].map((time) => clockTime(/** @type {number} */ (time)));
  const when = from === to ? `Entered at ${from}.` : `Entered from ${from} to ${to}.`;
  const sent = `${one ? "It is" : "They are"} sent when that person logs in on this tablet.`;
  return h("article", { class: "attention" },
    h("h3", {}, `${count} ${one ? "entry" : "entries"} by a colleague who is not logged in`),
    h("p", {}, `${when} ${sent}`),
    may ? actions([[`Send ${one ? "it" : "them"} under my name`, () => store.takeOver()]]) : null);
}

/**
 * @param {Store} store
 * @param {HTMLElement} place
 */
export function showAttention(store, place) {
  let before = "";
  const show = () => {
    const { attention, colleagues } = store;
    // Redrawn only when something else needs attention, so that no button moves under a finger.
    const now = JSON.stringify([attention, colleagues]);
    if (now === before) return;
    before = now;
    const count = attention.length + colleagues.count;
    place.hidden = count === 0;
    place.replaceChildren(
      h("h2", {}, `Needs attention: ${count}`),
      ...attention.map((problem) => card(store, problem)),
      ...(colleagues.count ? [ofColleagues(store, colleagues)] : []),
    );
  };
  store.subscribe(show);
  show();
}
