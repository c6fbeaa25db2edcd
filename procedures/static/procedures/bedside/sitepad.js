// A tested position: vein and segment, then six numbers. The position is kept as soon as it is known, so that nothing
// hangs on finishing the numbers.
import { button, h, say } from "./dom.js";
import { openPad } from "./numberpad.js";
import { segmentPicker } from "./polar.js";
import { siteDetails } from "./sitedetails.js";
import { tributaryKey } from "./veinkey.js";
import { labelOf, measured, plain } from "./words.js";

const NUMBERS = [
  ...[["capture_threshold_v"], ["pulse_width_ms"], ["sensed_r_wave_mv"], ["impedance_ohm"]],
  ...[["phrenic_none_up_to_v", "phrenic_threshold_v"], ["qrs_duration_ms"]],
];
const SHORT = ["Threshold", "Pulse width", "R wave", "Impedance", "Phrenic", "QRS"];
/** @type {Record<string, string>} */
const CHOICES = { phrenic_none_up_to_v: "No stimulation up to", phrenic_threshold_v: "Stimulation at" };

/**
 * @param {Shown} state
 * @param {string} vein
 * @param {number | null} segment
 * @param {Key | null} except
 */
export function proposedName(state, vein, segment, except = null) {
  const { short } = /** @type {Vein} */ (state.vocabulary.veins.find((one) => one.value === vein));
  const ring = state.vocabulary.segments.find((/** @type {Segment} */ one) => one.number === segment)?.ring ?? "";
  const base = `${short} ${ring}`.trim();
  const used = new Set(state.sites.filter((one) => one.key !== except).map((one) => one.label.toLowerCase()));
  for (let number = 1; ; number += 1) {
    const name = number === 1 ? base : `${base} ${number}`;
    if (!used.has(name.toLowerCase())) return name;
  }
}

/**
 * Where the lead is. Vein and segment in either order; the second of them leads on to the numbers.
 * @param {BedsidePage} page
 * @param {Key | null} key
 * @returns {Place}
 */
export function site(page, key = null) {
  const { state } = page;
  const stored = key ? state.sites.find((one) => one.key === key) : undefined;
  /** @type {string | null} */
  let vein = stored ? state.tributaries.find((one) => one.key === stored.tributary)?.vein : null;
  /** @type {number | null} */
  let segment = stored?.aha_segment ?? null;
  let touched = false;
  let busy = false;
  const element = h("div", { class: "site-view" });
  const hint = h("p", { class: "hint", role: "status" });
  const veins = h("div", { class: "tiles wide veins", role: "group", "aria-labelledby": "vein-title" });
  const map = h("div", { class: "map" });
  /** @type {Record<number, number>} */
  const taken = {};
  for (const one of state.sites) if (one.aha_segment) taken[one.aha_segment] = (taken[one.aha_segment] ?? 0) + 1;

  /** @param {string} chosen vein */
  async function tributary(chosen) {
    const there = page.state.tributaries.find((one) => one.vein === chosen && (one.ordinal ?? 1) === 1);
    if (there) return there.key;
    const made = await tributaryKey(page.store.session, page.state.session.started_at, chosen);
    return (await page.put("tributary", { vein: chosen, ordinal: 1 }, { key: made })).key;
  }

  /** @param {Record<string, unknown>} values */
  async function keep(values) {
    if (busy || !vein) return null;
    busy = true;
    try {
      const ring = state.vocabulary.segments.find((/** @type {Segment} */ one) => one.number === segment)?.ring ?? "unknown";
      const label = touched || !stored ? proposedName(page.state, vein, segment, key) : stored.label;
      const where = { tributary: await tributary(vein), aha_segment: segment, long_axis: ring, ...values };
      return await page.put("site", stored ? where : { label, ...where }, { key });
    } finally {
      busy = false;
    }
  }

  async function onward() {
    if (!vein || segment === null) return say(hint, vein ? "Now the segment." : "Now the vein.");
    const made = await keep({ reached: true, not_reached_reason: "" });
    if (made) page.go(`measure/${made.key}`);
  }

  function draw() {
    veins.replaceChildren(...state.vocabulary.veins.map(({ value, label, short }) => {
      const tile = button("", () => {
        vein = value;
        touched = true;
        draw();
        onward();
      }, { class: "tile", "aria-pressed": String(value === vein) });
      tile.append(h("b", {}, short), h("span", { class: "small" }, label));
      return tile;
    }));
    map.replaceChildren(segmentPicker(state.vocabulary.segments, { taken, chosen: segment || null, pick: (number) => {
      segment = number;
      touched = true;
      draw();
      onward();
    } }));
  }

  function notReached() {
    if (!vein) return say(hint, "Choose the vein first.");
    const reasons = state.vocabulary.obstacles.map(({ value, label }) => button(label, async () => {
      if (await keep({ reached: false, not_reached_reason: value })) page.go();
    }, { class: "tile" }));
    element.replaceChildren(
      h("h2", { tabindex: "-1" }, `${labelOf(state.vocabulary.veins, vein)}: why was it not reached?`),
      h("div", { class: "tiles wide" }, ...reasons),
      h("p", { class: "actions" }, h("a", { class: "button bedside", href: "#" }, "Back to the log")),
    );
    element.querySelector("h2")?.focus();
  }

  draw();
  const unknown = button("Segment not known", async () => {
    if (!vein) return say(hint, "Choose the vein first.");
    segment = null;
    const made = await keep({ reached: true, not_reached_reason: "", aha_segment: null });
    if (made) page.go(`measure/${made.key}`);
  }, { class: "bedside" });
  element.append(
    h("h2", { tabindex: "-1" }, stored ? `Correct ${stored.label}` : "New site: where is the lead?"),
    hint,
    h("div", { class: "where" },
      h("section", {}, h("h3", { id: "vein-title" }, "Vein"), veins),
      h("section", { class: "map-side" }, h("h3", {}, "Segment"), map),
      h("p", { class: "actions" }, button("Not reached", notReached, { class: "bedside" }), unknown,
        h("a", { class: "button bedside", href: "#" }, "Back to the log"))),
  );
  return { element };
}

/**
 * The six values, one after another. What is skipped is "not measured".
 * @param {BedsidePage} page
 * @param {Key} key
 * @returns {Place}
 */
export function measure(page, key) {
  const { vocabulary } = page.state;
  const here = page.state.sites.find((one) => one.key === key);
  const element = h("div", { class: "measure-view" });
  if (!here) {
    element.append(h("h2", { tabindex: "-1" }, "This site no longer exists"), h("a", { class: "button bedside", href: "#" }, "Back"));
    return { element };
  }
  const { label: siteLabel } = here;
  /** @type {Record<string, number>} */
  const values = {};
  const skipped = new Set();
  let confirmed = false;
  let saving = false;
  const chips = h("div", { class: "chips", role: "group", "aria-label": "The six values" });
  const stage = h("div", { class: "stage" });
  const tested = page.state.threshold_tests.filter((one) => one.site === key).at(-1);

  /**
   * @param {string} name
   * @returns {[number, string] | null}
   */
  function last(name) {
    if (tested && name === "pulse_width_ms") return [tested.pulse_width_ms, "as tested here"];
    const found = tested && name === "capture_threshold_v" ? threshold(tested) : null;
    if (found !== null) return [found, "as tested here"];
    const earlier = page.state.measurements.filter((one) => one[name] !== null && one[name] !== undefined);
    const same = earlier.filter((one) => one.site === key).at(-1);
    const one = same ?? earlier.at(-1);
    if (!one) return null;
    const where = page.state.sites.find((other) => other.key === one.site)?.label ?? "another site";
    return [one[name], same ? "same as before" : `as last time, ${where}`];
  }

  /**
   * @param {string} name
   * @returns {Asked}
   */
  function quantity(name) {
    return { ...vocabulary.quantities[name], name, last: last(name), choice: CHOICES[name] };
  }

  /** @param {number} place */
  function show(place) {
    drawChips(place);
    if (place >= NUMBERS.length) return summary();
    const names = NUMBERS[place];
    const needed = names[0] === "pulse_width_ms" && values.capture_threshold_v !== undefined;
    const given = names.find((name) => values[name] !== undefined);
    const pad = openPad({
      heading: place === 4 ? "Phrenic stimulation" : vocabulary.quantities[names[0]].label,
      quantities: names.map(quantity),
      value: given ? values[given] : null,
      skip: {
        text: "Not measured",
        refused: needed ? "The threshold needs its pulse width." : null,
        act: () => {
          for (const name of names) delete values[name];
          skipped.add(place);
          show(following(place));
        },
      },
      done: (one) => {
        for (const name of names) delete values[name];
        values[/** @type {string} */ (one.name)] = one.value;
        confirmed ||= one.confirmed;
        skipped.delete(place);
        show(following(place));
      },
    });
    stage.replaceChildren(pad.element);
    pad.focus();
  }

  /**
   * After a correction it goes on to what is still open.
   * @param {number} place
   */
  function following(place) {
    /** @param {number} one */
    const isOpen = (one) => !skipped.has(one) && NUMBERS[one].every((name) => values[name] === undefined);
    for (let one = place + 1; one < NUMBERS.length; one += 1) if (isOpen(one)) return one;
    return NUMBERS.findIndex((_, one) => isOpen(one)) === -1 ? NUMBERS.length : NUMBERS.findIndex((_, one) => isOpen(one));
  }

  /** @param {number} now */
  function drawChips(now) {
    chips.replaceChildren(...NUMBERS.map((names, place) => {
      const name = names.find((one) => values[one] !== undefined);
      const unit = name && vocabulary.quantities[name].unit;
      const prefix = name === "phrenic_none_up_to_v" ? "none to " : "";
      const text = name ? `${prefix}${plain(values[name])} ${unit}` : skipped.has(place) ? "not measured" : "…";
      const chip = button("", () => show(place), { class: "chip", "aria-current": place === now ? "step" : null });
      chip.append(h("span", { class: "small" }, SHORT[place]), h("b", {}, text));
      return chip;
    }));
  }

  function summary() {
    const words = measured(values);
    const save = button("Save", keep, { class: "primary critical", disabled: !words });
    stage.replaceChildren(
      h("h2", { tabindex: "-1" }, `${siteLabel}: save this?`),
      h("p", { class: "read-back" }, words || "No value was entered, so there is nothing to save."),
      h("p", { class: "actions end" }, h("a", { class: "button bedside", href: "#" }, "Cancel"), save),
      siteDetails(page, key),
    );
    save.focus();
  }

  async function keep() {
    if (saving) return;
    saving = true;
    try {
      const numbers = Object.fromEntries(NUMBERS.flat().map((name) => [name, values[name] ?? null]));
      await page.put("lead_measurement", { site: key, measured_at: new Date().toISOString(), ...numbers, qrs_notes: "" }, { confirmed });
      page.go();
      page.tell(`Saved: ${siteLabel}, ${measured(values)}`);
    } finally {
      saving = false;
    }
  }

  element.append(
    h("div", { class: "site-line" }, h("p", { class: "site-name" }, siteLabel),
      h("a", { class: "button", href: `#site/${key}` }, "Correct position"),
      h("a", { class: "button", href: `#test/${key}` }, "Step-down test"),
      h("a", { class: "button", href: "#" }, "Back")),
    chips, stage,
  );
  show(0);
  return { element, focus: () => element.querySelector("#pad-value") };
}

/**
 * @param {Item} test
 * @returns {number | null}
 */
function threshold(test) {
  /** @type {Step[]} */
  const steps = test.steps;
  const lowest = steps.findLast((step) => step.captured);
  return lowest && steps.some((step) => !step.captured) ? lowest.amplitude_v : null;
}
