// A capture-threshold test as it is done: pace, look, one step lower, until capture is lost.
import { button, h } from "./dom.js";
import { openPad } from "./numberpad.js";
import { plain, stepped } from "./words.js";

/**
 * @param {BedsidePage} page
 * @param {Key | null} key
 * @returns {Place}
 */
export function stepDown(page, key = null) {
  const { vocabulary } = page.state;
  const reached = page.state.sites.filter((one) => one.reached !== false);
  // Without one only the sites to choose from are shown; the steps begin once the pulse width is chosen.
  const here = /** @type {Item} */ (reached.find((one) => one.key === key));
  const element = h("div", { class: "test-view" });
  /** @type {number[]} */
  const amplitudes = [...vocabulary.step_down_v].sort((a, b) => b - a);
  /** @type {Step[]} */
  const steps = [];
  let width = NaN;
  /** @type {number | null} */
  let from = null;
  let saving = false;

  /** @param {HTMLElement[]} children */
  function show(...children) {
    element.replaceChildren(...children);
    element.querySelector("h2")?.focus();
  }

  function back(text = "Back to the log") {
    return h("a", { class: "button bedside", href: "#" }, text);
  }

  function chooseSite() {
    if (!reached.length) {
      return show(h("h2", { tabindex: "-1" }, "Threshold test"), h("p", {}, "No site has been reached yet."),
        h("p", { class: "actions" }, h("a", { class: "button bedside primary", href: "#site" }, "New site"), back()));
    }
    const tiles = [...reached].reverse().map((one) => h("a", { class: "button tile", href: `#test/${one.key}` }, one.label));
    return show(h("h2", { tabindex: "-1" }, "Threshold test: at which site?"), h("div", { class: "tiles wide" }, ...tiles),
      h("p", { class: "actions" }, back()));
  }

  function chooseWidth() {
    const earlier = page.state.threshold_tests.at(-1) ?? page.state.measurements.findLast((one) => one.pulse_width_ms);
    const pad = openPad({
      heading: `${here.label}: pulse width of the test`,
      quantities: [{
        ...vocabulary.quantities.pulse_width_ms,
        name: "pulse_width_ms",
        last: earlier ? [earlier.pulse_width_ms, "as last time"] : null,
      }],
      done: ({ value }) => {
        width = value;
        chooseStart();
      },
    });
    show(pad.element, h("p", { class: "actions" }, back()));
    pad.focus();
  }

  function chooseStart() {
    const tiles = amplitudes.map((volts) => button(`${plain(volts)} V`, () => {
      from = volts;
      run();
    }, { class: "tile" }));
    show(h("h2", { tabindex: "-1" }, `${here.label}: start the test at`), h("div", { class: "tiles" }, ...tiles),
      h("p", { class: "actions" }, back()));
  }

  function now() {
    if (!steps.length) return from;
    return amplitudes.find((volts) => volts < steps[steps.length - 1].amplitude_v) ?? null;
  }

  /** @param {boolean} captured */
  function take(captured) {
    steps.push({ amplitude_v: /** @type {number} */ (now()), captured });
    if (captured && now() !== null) run();
    else result();
  }

  function undoStep() {
    steps.pop();
    if (steps.length || from !== null) run();
  }

  function ladder() {
    return h("ol", { class: "ladder", "aria-label": "Steps so far" }, ...steps.map((step) =>
      h("li", { class: step.captured ? "" : "lost" }, `${plain(step.amplitude_v)} V ${step.captured ? "captured" : "lost"}`)));
  }

  function run() {
    const volts = /** @type {number} */ (now());
    show(
      h("h2", { tabindex: "-1", class: "pacing" }, h("b", {}, `${plain(volts)} V`), ` at ${plain(width)} ms, ${here.label}`),
      h("div", { class: "answers" },
        button("Captured", () => take(true), { class: "critical primary" }),
        button("Loss of capture", () => take(false), { class: "critical alarm" })),
      ladder(),
      h("p", { class: "actions end" }, back("Stop without saving"),
        steps.length ? button("Undo the last step", undoStep, { class: "bedside" }) : "",
        steps.length ? button("End without loss", result, { class: "bedside" }) : ""),
    );
  }

  function result() {
    const words = stepped(steps, width);
    show(
      h("h2", { tabindex: "-1" }, `${here.label}: ${words}`),
      ladder(),
      h("p", { class: "actions end" }, back("Cancel"),
        button("Undo the last step", undoStep, { class: "bedside" }),
        button("Save", keep, { class: "primary critical" })),
    );
  }

  async function keep() {
    if (saving) return;
    saving = true;
    try {
      const tested_at = new Date().toISOString();
      await page.put("threshold_test", { site: here.key, tested_at, pulse_width_ms: width, steps });
      const measuredHere = page.state.measurements.some((one) => one.site === here.key);
      page.go(measuredHere ? "" : `measure/${here.key}`);
      page.tell(`Saved: ${here.label}, ${stepped(steps, width)}`);
    } finally {
      saving = false;
    }
  }

  if (here) chooseWidth();
  else chooseSite();
  return { element };
}
