// A bar-code scanner that types. Its characters come faster than any hand and end with Enter; what it typed is kept as
// it is and read by the server, online or later.
import { button, h, say } from "./dom.js";

const FASTER_THAN_MS = 100;
const SHORTEST = 6;

let waiting = "";

/** @param {BedsidePage} page */
export function listenForScans(page) {
  let typed = "";
  let at = 0;
  document.addEventListener("keydown", (event) => {
    if (/** @type {Element} */ (event.target).matches?.("input, textarea, select")) return;
    const now = event.timeStamp;
    if (now - at > FASTER_THAN_MS) typed = "";
    at = now;
    // Scanners send the separator of a GS1 code (ASCII 29) as Ctrl and ].
    if (event.ctrlKey && event.key === "]") typed += "\x1d";
    else if (event.key === "\x1d") typed += event.key;
    else if (event.key.length === 1 && !event.ctrlKey && !event.metaKey) typed += event.key;
    else if (event.key === "Enter" && typed.length >= SHORTEST) {
      event.preventDefault();
      waiting = typed;
      typed = "";
      page.go("scan");
    }
  }, { capture: true });
}

/**
 * @param {BedsidePage} page
 * @returns {Place}
 */
export function scan(page) {
  const { parts } = page.state.vocabulary;
  const input = h("input", { type: "text", id: "scanned", maxlength: "200", autocomplete: "off", spellcheck: "false", autocapitalize: "off" });
  const error = h("p", { class: "error", role: "alert" });
  let saving = false;
  input.value = waiting;
  waiting = "";
  input.addEventListener("keydown", (event) => {
    if (event.ctrlKey && event.key === "]") {
      event.preventDefault();
      input.value += "\x1d";
    }
  });

  /**
   * @param {string} part
   * @param {string} label
   */
  async function keep(part, label) {
    const text = input.value.trim();
    if (!text) {
      say(error, "Label: scan it, or enter the serial number.");
      return input.focus();
    }
    if (saving) return null;
    saving = true;
    try {
      await page.put("scanned_part", { part, scanned_text: text, scanned_at: new Date().toISOString() });
      page.go();
      page.tell(`Kept: ${label}`);
    } finally {
      saving = false;
    }
    return null;
  }

  const tiles = parts.map(({ value, label }) => button(label, () => keep(value, label), { class: "tile" }));
  const form = h("form", { onsubmit: (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    if (input.value.trim()) tiles[0].focus();
  } }, h("label", { for: "scanned" }, "Label as scanned, or the serial number as printed"), input, error);
  const element = h("div", { class: "scan-view" },
    h("h2", { tabindex: "-1" }, "Scan a lead or generator"), form,
    h("h3", { id: "part-title" }, "What is it?"),
    h("div", { class: "tiles wide", role: "group", "aria-labelledby": "part-title" }, ...tiles),
    h("p", { class: "hint" }, "The server reads device identifier, lot, serial number and dates from it. A serial number can identify a person: it is encrypted on this tablet until the server has it, and is not shown again here."),
    h("p", { class: "actions" }, h("a", { class: "button bedside", href: "#" }, "Back to the log")));
  return { element, focus: () => (input.value ? tiles[0] : input) };
}
