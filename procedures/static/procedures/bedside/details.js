// What may be added to an event after its tap: an amount, a kind, a few words. Always optional, never in the way.
import { button, h } from "./dom.js";
import { openPad } from "./numberpad.js";
import { plain } from "./words.js";

/** @type {Record<string, string>} */
const AMOUNTS = { contrast: "contrast_ml", fluoroscopy: "fluoroscopy_min" };

/**
 * @param {BedsidePage} page
 * @param {string} kind of the event
 * @param {Key} key
 * @param {() => void} close
 */
export function details(page, kind, key, close) {
  /** @param {string} text */
  const say = async (text) => {
    await page.put("log_entry", { text }, { key });
    page.tell(`Added: ${text}`);
    close();
  };
  const without = button("Nothing to add", close, { class: "bedside" });
  if (kind in AMOUNTS) {
    const quantity = page.state.vocabulary.quantities[AMOUNTS[kind]];
    return openPad({
      heading: kind === "contrast" ? "How much contrast?" : "What is the reading?",
      quantities: [quantity],
      skip: { text: "Nothing to add", act: close },
      done: ({ value }) => say(`${plain(value)} ${quantity.unit}`),
    }).element;
  }
  if (kind === "adverse_event") {
    const kinds = page.state.vocabulary.event_kinds.map((/** @type {Choice} */ { label }) => button(label, () => say(label), { class: "tile" }));
    return h("div", {}, h("h2", {}, "What happened?"), h("div", { class: "tiles wide" }, ...kinds), without);
  }
  if (kind === "drug") return words(page, key, say, without);
  return null;
}

/**
 * Drugs are typed once and offered again as they were typed.
 * @param {BedsidePage} page
 * @param {Key} key
 * @param {(text: string) => void} say
 * @param {HTMLElement} without
 */
function words(page, key, say, without) {
  const before = page.state.entries.filter((one) => one.kind === "drug" && one.text && one.key !== key);
  const offered = [...new Set(before.map((one) => one.text))].slice(-6);
  const input = h("input", { type: "text", id: "drug-words", maxlength: "200", autocomplete: "off", spellcheck: "false" });
  const form = h("form", { class: "line", onsubmit: (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    if (input.value.trim()) say(input.value.trim());
  } });
  form.append(input, h("button", { class: "bedside primary" }, "Add"));
  const tiles = offered.map((text) => button(text, () => say(text), { class: "tile" }));
  return h("div", {}, h("label", { for: "drug-words", class: "h2" }, "Which drug, how much?"),
    tiles.length ? h("div", { class: "tiles wide" }, ...tiles) : null, form, without);
}
