// What stood in the way: a reason of the trade's list, which vein it was, and words where the list has none.
import { button, h, say } from "./dom.js";
import { tributaryKey } from "./veinkey.js";
import { labelOf } from "./words.js";

/**
 * @param {BedsidePage} page
 * @returns {Place}
 */
export function difficulty(page) {
  const { vocabulary } = page.state;
  /** @type {string | null} */
  let reason = null;
  /** @type {string | null} */
  let vein = null;
  let saving = false;
  const reasons = h("div", { class: "tiles wide", role: "group", "aria-labelledby": "reason-title" });
  const veins = h("div", { class: "tiles wide", role: "group", "aria-labelledby": "about-title" });
  const text = h("input", { type: "text", id: "difficulty-words", maxlength: "500", autocomplete: "off" });
  const error = h("p", { class: "error", role: "alert" });

  function draw() {
    reasons.replaceChildren(...vocabulary.obstacles.map(({ value, label }) => button(label, () => {
      reason = value;
      say(error, "");
      draw();
    }, { class: "tile", "aria-pressed": String(value === reason) })));
    const offered = [...vocabulary.veins, { value: "", label: "No particular vein" }];
    veins.replaceChildren(...offered.map(({ value, label }) => button(label, () => {
      vein = value;
      draw();
    }, { class: "tile", "aria-pressed": String(value === vein) })));
  }

  async function tributary() {
    if (!vein) return null;
    const there = page.state.tributaries.find((one) => one.vein === vein && (one.ordinal ?? 1) === 1);
    if (there) return there.key;
    const key = await tributaryKey(page.store.session, page.state.session.started_at, vein);
    return (await page.put("tributary", { vein, ordinal: 1 }, { key })).key;
  }

  /** @param {SubmitEvent} event */
  async function save(event) {
    event.preventDefault();
    if (!reason) return say(error, "Difficulty: choose a reason.");
    if (reason === "other" && !text.value.trim()) {
      say(error, "Description: describe the difficulty.");
      return text.focus();
    }
    if (saving) return null;
    saving = true;
    try {
      const payload = { reason, text: text.value.trim(), tributary: await tributary(), site: null };
      await page.put("difficulty", { ...payload, noted_at: new Date().toISOString() });
      page.go();
      page.tell(`Noted: ${labelOf(vocabulary.obstacles, reason)}`);
    } finally {
      saving = false;
    }
    return null;
  }

  draw();
  const element = h("form", { class: "difficulty-view", onsubmit: save },
    h("h2", { tabindex: "-1", id: "reason-title" }, "What was difficult?"), reasons,
    h("h3", { id: "about-title" }, "Which vein?"), veins,
    h("label", { for: "difficulty-words" }, "Description"), text, error,
    h("p", { class: "actions end" }, h("a", { class: "button bedside", href: "#" }, "Back to the log"),
      h("button", { class: "primary critical" }, "Save")));
  return { element };
}
