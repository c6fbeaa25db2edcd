// Correcting an entry's time and words. The time first logged stays beside the corrected one.
import { button, h, say } from "./dom.js";
import { timeNear } from "./times.js";
import { clockTime, enteredAt, labelOf, SYNC } from "./words.js";

/** @type {[string, number][]} */
const STEPS = [["−5 min", -300], ["−1 min", -60], ["−10 s", -10], ["+10 s", 10], ["+1 min", 60], ["+5 min", 300]];

/**
 * @param {BedsidePage} page
 * @param {Key} key
 * @returns {Place}
 */
export function correct(page, key) {
  const entry = page.state.entries.find((one) => one.key === key);
  const title = entry ? labelOf(page.state.vocabulary.entry_kinds, entry.kind) : "This entry no longer exists";
  const element = h("div", { class: "sheet-view" }, h("h2", { tabindex: "-1" }, title));
  if (!entry) {
    element.append(h("a", { class: "button bedside", href: "#" }, "Back to the log"));
    return { element };
  }
  const logged = entry.occurred_at;
  const words = entry.text ?? "";
  let at = Date.parse(logged);
  const error = h("p", { class: "error", role: "alert" });
  const time = h("input", { type: "text", id: "corrected", class: "big", inputmode: "numeric", autocomplete: "off" });
  const text = h("input", { type: "text", id: "entry-words", maxlength: "1000", autocomplete: "off" });
  time.value = clockTime(at);
  text.value = words;
  const steps = STEPS.map(([label, seconds]) => button(label, () => {
    at = (timeNear(time.value, at)?.getTime() ?? at) + seconds * 1000;
    time.value = clockTime(at);
    say(error, "");
  }, { class: "tile" }));
  const first = entry.first_logged_at ?? logged;
  const form = h("form", { onsubmit: save },
    h("label", { for: "corrected" }, "Time"), time, error, h("div", { class: "tiles six" }, ...steps),
    h("p", { class: "hint" }, `First logged ${clockTime(first)}; this is kept beside the corrected time.`),
    h("label", { for: "entry-words" }, "Remark"), text,
    h("p", { class: "actions end" },
      h("a", { class: "button bedside", href: "#" }, "Back"), h("button", { class: "primary critical" }, "Save")));
  const [, state] = SYNC[entry.sync ?? "server"];
  element.append(h("p", { class: "hint" }, `Entered ${clockTime(enteredAt(key))}, ${state}.`), form);

  /** @param {SubmitEvent} event */
  async function save(event) {
    event.preventDefault();
    const moment = timeNear(time.value, at);
    if (!moment) {
      say(error, "Time: enter hours, minutes and seconds, such as 09:41:30.");
      time.focus();
      return;
    }
    /** @type {Record<string, string>} */
    const changes = {};
    // A time that was only looked at stays exactly as it was logged, with its milliseconds.
    if (clockTime(moment) !== clockTime(logged)) changes.occurred_at = moment.toISOString();
    if (text.value.trim() !== words) changes.text = text.value.trim();
    if (Object.keys(changes).length) await page.put("log_entry", changes, { key });
    page.go();
    if (Object.keys(changes).length) page.tell(`${title} corrected`);
  }
  return { element };
}
