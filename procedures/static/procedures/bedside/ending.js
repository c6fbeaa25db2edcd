// Outcome of the session and its totals.
import { numberFrom } from "../../tributary/numbers.js";
import { button, h } from "./dom.js";
import { openPad } from "./numberpad.js";
import { logged } from "./phase.js";
import { clockTime, plain } from "./words.js";

/**
 * @param {BedsidePage} page
 * @returns {Place}
 */
export function ended(page) {
  const { state } = page;
  const closed = logged(state, "access_closed").at(-1)?.occurred_at;
  let saving = false;
  const tiles = state.vocabulary.outcomes.map((/** @type {Choice} */ { value, label }) => button(label, () => keep(value, label), {
    class: "tile critical",
    "aria-pressed": String(state.session.outcome === value),
  }));

  /**
   * @param {string} outcome
   * @param {string} label
   */
  async function keep(outcome, label) {
    if (saving) return;
    saving = true;
    try {
      const ended_at = state.session.ended_at ?? closed ?? new Date().toISOString();
      await page.put("session", { outcome, ended_at }, { key: state.session.key });
      page.go("check");
      page.tell(label);
    } finally {
      saving = false;
    }
  }

  const when = state.session.ended_at ?? closed;
  const words = when ? `The end is ${clockTime(when)}${closed === when ? ", when the access was closed" : ""}.` : "The end is now.";
  return { element: h("div", { class: "ended-view" },
    h("h2", { tabindex: "-1" }, "How did the session end?"),
    h("div", { class: "tiles wide", role: "group", "aria-label": "Outcome" }, ...tiles),
    h("p", { class: "hint" }, words),
    h("p", { class: "actions" }, h("a", { class: "button bedside", href: "#check" }, "Back to the list"))) };
}

/** @type {Record<string, [string, "sum" | "last"]>} */
const LOGGED_AS = { contrast_ml: ["contrast", "sum"], fluoroscopy_min: ["fluoroscopy", "last"] };

/**
 * What the log adds up to, where its entries carry amounts.
 * @param {Shown} state
 * @param {string} name
 * @returns {[number, string] | null}
 */
export function fromLog(state, name) {
  const [kind, how] = LOGGED_AS[name] ?? [];
  const amounts = logged(state, kind).map((one) => numberFrom((one.text ?? "").split(" ")[0])).filter((one) => !Number.isNaN(one));
  if (!amounts.length) return null;
  return how === "sum" ? [amounts.reduce((sum, one) => sum + one, 0), "sum of the log"] : [amounts[amounts.length - 1], "last reading"];
}

/**
 * @param {BedsidePage} page
 * @param {string} name
 * @returns {Place}
 */
export function total(page, name) {
  const { state } = page;
  const quantity = state.vocabulary.quantities[name];
  if (!quantity) return ended(page);
  const pad = openPad({
    heading: `${quantity.label} of the whole session`,
    quantities: [{ ...quantity, name, last: fromLog(state, name) }],
    value: state.session[name] ?? null,
    done: async ({ value }) => {
      await page.put("session", { [name]: value }, { key: state.session.key });
      page.go("check");
      page.tell(`${quantity.label} ${plain(value)} ${quantity.unit}`);
    },
  });
  const element = h("div", {}, pad.element,
    h("p", { class: "actions" }, h("a", { class: "button bedside", href: "#check" }, "Not known: back to the list")));
  return { element, focus: pad.focus };
}
