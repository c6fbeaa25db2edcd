// Two marks on one or two leads of a recording: dragged, tapped, moved by keys or buttons; the form keeps them.
import { ambiguous, numberFrom } from "../tributary/numbers.js";
import { fetched, make, trace } from "./ecg_paper.js";

/** @typedef {"a" | "b"} Mark */
/** @typedef {{label: string, microvolts: (number | null)[], sample_rate_hz: number}} Strip */

/** @type {Mark[]} */
const MARKS = ["a", "b"];
/** @type {Record<string, number>} How far a key moves a mark, ms. */
const STEPS = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageUp: 10, PageDown: -10 };
const calipers = document.getElementById("calipers");
if (calipers) begin(calipers);

/** @param {HTMLElement} section */
function begin(section) {
  /**
   * @param {ParentNode} root
   * @param {string} selector of an element that the section always has
   */
  const found = (root, selector) => /** @type {HTMLElement} */ (root.querySelector(selector));
  const form = /** @type {HTMLFormElement} */ (found(document, "#keep"));
  /** @param {string} name */
  const field = (name) => /** @type {HTMLInputElement} */ (form.elements.namedItem(name));
  const area = found(section, ".strips");
  const drawn = found(area, ".drawn");
  const between = found(document, "#between");
  const [first, last] = [Number(section.dataset.first), Number(section.dataset.last)];
  const marks = { a: field("from_s"), b: field("to_s") };
  const leads = { a: field("from_lead"), b: field("to_lead") };
  const handles = { a: found(area, ".handle.a"), b: found(area, ".handle.b") };
  let [from, to] = [Number(section.dataset.start), Math.min(Number(section.dataset.start) + 1.2, last)];
  let turn = 0;

  /** @param {Mark} mark */
  const seconds = (mark) => numberFrom(marks[mark].value);
  /** @param {number} at */
  const place = (at) => ((at - from) / (to - from)) * 100;

  /**
   * @param {number} start
   * @param {number} end
   */
  async function show(start, end) {
    const span = Math.min(Math.max(end - start, 0.25), 5, last - first);
    from = Math.min(Math.max(start, first), last - span);
    to = from + span;
    const mine = ++turn;
    const query = new URLSearchParams([["start", from.toFixed(4)], ["end", to.toFixed(4)]]);
    query.append("lead", leads.a.value);
    if (leads.b.value !== leads.a.value) query.append("lead", leads.b.value);
    try {
      const content = await fetched(`${section.dataset.url}?${query}`);
      if (mine === turn) draw(content);
    } catch (error) {
      if (mine !== turn) return;
      drawn.textContent = `The trace cannot be shown. ${/** @type {Error} */ (error).message}`;
    }
    section.dataset.state = "drawn";
    tell();
  }

  /** @param {{strips: Strip[]}} content */
  function draw(content) {
    drawn.replaceChildren(
      ...content.strips.map((strip) => {
        const box = document.createElement("div");
        box.className = "strip";
        const name = document.createElement("span");
        name.textContent = strip.label.replace(/^ECG_/, "");
        const held = /** @type {number[]} */ (strip.microvolts.filter((value) => value !== null));
        const [low, high] = [Math.min(0, ...held), Math.max(0, ...held)];
        const room = Math.max(high - low, 200) * 1.15;
        const svg = make("svg", { viewBox: "0 0 1000 200", preserveAspectRatio: "none", "aria-hidden": "true" });
        svg.append(make("path", { d: grid(), class: "grid-coarse" }));
        const times = strip.microvolts.map((_, index) => index / strip.sample_rate_hz);
        const path = trace(times, strip.microvolts, (t) => (t / (to - from)) * 1000, (v) => 192 - ((v - low) / room) * 184);
        svg.append(make("path", { d: path, class: "trace" }));
        box.append(svg, name);
        return box;
      }),
    );
    found(document, "#strip-scale").textContent = `${from.toFixed(2)} to ${to.toFixed(2)} s; vertical lines every ${gridStep() * 1000} ms`;
  }

  const gridStep = () => (to - from > 2.5 ? 0.2 : to - from > 1.2 ? 0.1 : 0.04);
  function grid() {
    let path = "";
    const step = gridStep();
    for (let at = Math.ceil(from / step) * step; at < to; at += step) path += `M${(((at - from) / (to - from)) * 1000).toFixed(1)} 0V200`;
    return path;
  }

  /**
   * @param {Mark} mark
   * @param {number} at
   */
  function set(mark, at) {
    const within = Math.min(Math.max(at, first), last);
    marks[mark].value = within.toFixed(3);
    tell();
  }

  function tell() {
    for (const mark of MARKS) {
      const at = seconds(mark);
      const handle = handles[mark];
      const known = Number.isFinite(at);
      const seen = known && at >= from && at <= to;
      handle.classList.toggle("out", !seen);
      handle.style.left = `${Math.min(Math.max(known ? place(at) : mark === "a" ? 25 : 75, 0), 100)}%`;
      handle.setAttribute("aria-valuemin", String(Math.round(first * 1000)));
      handle.setAttribute("aria-valuemax", String(Math.round(last * 1000)));
      handle.setAttribute("aria-valuenow", String(Math.round((known ? at : from) * 1000)));
      handle.setAttribute("aria-valuetext", known ? `${at.toFixed(3)} s on ${leads[mark].value}` : "not set");
    }
    const span = (seconds("b") - seconds("a")) * 1000;
    const two = ambiguous(marks.a.value) || ambiguous(marks.b.value);
    between.textContent = Number.isFinite(span) ? `A to B: ${Math.round(span)} ms` : two || "Set both marks.";
  }

  /** @param {MouseEvent} event */
  const at = (event) => {
    const box = drawn.getBoundingClientRect();
    return from + ((event.clientX - box.left) / box.width) * (to - from);
  };

  for (const mark of MARKS) {
    const handle = handles[mark];
    const current = () => (Number.isFinite(seconds(mark)) ? seconds(mark) : from + (to - from) * (mark === "a" ? 0.25 : 0.75));
    handle.addEventListener("pointerdown", (event) => {
      handle.setPointerCapture(event.pointerId);
      const grabbed = at(event) - current();
      /** @param {MouseEvent} moved */
      const move = (moved) => set(mark, at(moved) - grabbed);
      handle.addEventListener("pointermove", move);
      const stop = () => handle.removeEventListener("pointermove", move);
      handle.addEventListener("pointerup", stop, { once: true });
      handle.addEventListener("pointercancel", stop, { once: true });
    });
    handle.addEventListener("keydown", (event) => {
      const step = STEPS[event.key];
      if (step === undefined && event.key !== "Home" && event.key !== "End") return;
      event.preventDefault();
      if (event.key === "Home") set(mark, from);
      else if (event.key === "End") set(mark, to);
      else set(mark, current() + (step * (event.shiftKey ? 10 : 1)) / 1000);
    });
    /** @type {NodeListOf<HTMLButtonElement>} */
    const steps = section.querySelectorAll(`fieldset[data-mark="${mark}"] [data-step]`);
    for (const button of steps) {
      button.addEventListener("click", () => set(mark, current() + Number(button.dataset.step) / 1000));
    }
    marks[mark].addEventListener("input", tell);
    leads[mark].addEventListener("change", () => show(from, to));
  }

  // A tap sets the chosen mark, and the turn goes to the other one.
  drawn.addEventListener("click", (event) => {
    const chosen = /** @type {HTMLInputElement} */ (found(section, "input[name=tapped]:checked"));
    const [mark, other] = chosen.value === "a" ? MARKS : [...MARKS].reverse();
    set(mark, at(event));
    /** @type {HTMLInputElement} */ (found(section, `input[name=tapped][value=${other}]`)).checked = true;
  });

  section.addEventListener("click", (event) => {
    const button = /** @type {Element} */ (event.target).closest("button");
    const [span, middle] = [to - from, (from + to) / 2];
    if (button?.dataset.move) show(from + span * Number(button.dataset.move), to + span * Number(button.dataset.move));
    if (button?.dataset.zoom) show(middle - (span * Number(button.dataset.zoom)) / 2, middle + (span * Number(button.dataset.zoom)) / 2);
  });

  show(from, to);
}
