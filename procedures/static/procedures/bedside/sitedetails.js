// What else may be said about a position: its name, electrodes and stability. Nothing is chosen beforehand.
import { button, h, say } from "./dom.js";

/** @type {Record<string, string[]>} */
const ELECTRODES = { cathode: ["LV1", "LV2", "LV3", "LV4"], anode: ["LV1", "LV2", "LV3", "LV4", "RV coil", "Can"] };

/**
 * @param {BedsidePage} page
 * @param {Key} key
 */
export function siteDetails(page, key) {
  const box = h("details", { class: "more" }, h("summary", {}, "Name, electrodes, stability"));
  const site = () => /** @type {Item} */ (page.state.sites.find((one) => one.key === key));
  const error = h("p", { class: "error", role: "alert" });

  /** @param {Record<string, string>} changes */
  async function keep(changes) {
    say(error, "");
    await page.put("site", changes, { key });
    draw();
  }

  /**
   * @param {string} title
   * @param {string} name of the field
   * @param {Choice[]} choices
   */
  function group(title, name, choices) {
    const tiles = choices.map(({ value, label }) => button(label, () => keep({ [name]: value }), {
      class: "tile",
      "aria-pressed": String(site()[name] === value),
    }));
    return h("div", { role: "group", "aria-label": title }, h("h3", {}, title), h("div", { class: "tiles" }, ...tiles));
  }

  /**
   * @param {string} title
   * @param {string} name of the field
   */
  function electrodes(title, name) {
    const before = page.state.sites.filter((one) => one.key !== key && one[name]).at(-1);
    const choices = ELECTRODES[name].map((label) => ({ value: label, label }));
    if (before) choices.unshift({ value: before[name], label: `As before: ${before[name]}` });
    return group(title, name, choices);
  }

  const name = h("input", { type: "text", id: "site-name", maxlength: "40", autocomplete: "off" });
  name.value = site().label;
  const form = h("form", { class: "line", onsubmit: (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    const label = name.value.trim();
    const taken = page.state.sites.some((one) => one.key !== key && one.label.toLowerCase() === label.toLowerCase());
    if (!label || label.toLowerCase() === "baseline") return say(error, "Name of the site: enter a name other than baseline.");
    if (taken) return say(error, `Name of the site: ${label} is another site of this session.`);
    keep({ label });
  } });
  form.append(h("label", { for: "site-name" }, "Name"), name, h("button", { class: "bedside" }, "Rename"));
  const groups = h("div", {});

  function draw() {
    const { stability } = page.state.vocabulary;
    groups.replaceChildren(electrodes("Cathode", "cathode"), electrodes("Anode", "anode"),
      group("Stability", "stability", stability.filter((/** @type {Choice} */ one) => one.value !== "unknown")));
  }

  draw();
  box.append(form, error, groups);
  return box;
}
