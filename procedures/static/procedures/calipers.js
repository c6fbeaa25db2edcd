// Two marks on one or two leads of a recording: dragged, tapped, moved by keys or buttons; the form keeps them.
import { ambiguous, numberFrom } from "../tributary/numbers.js";
import { fetched, make, trace } from "./ecg_paper.js";

const section = document.getElementById("calipers");
if (section) begin();

function begin() {
  const form = document.getElementById("keep");
  const area = section.querySelector(".strips");
  const drawn = area.querySelector(".drawn");
  const between = document.getElementById("between");
  const [first, last] = [Number(section.dataset.first), Number(section.dataset.last)];
  const marks = { a: form.elements.from_s, b: form.elements.to_s };
  const leads = { a: form.elements.from_lead, b: form.elements.to_lead };
  const handles = { a: area.querySelector(".handle.a"), b: area.querySelector(".handle.b") };
  let [from, to] = [Number(section.dataset.start), Math.min(Number(section.dataset.start) + 1.2, last)];
  let turn = 0;

  const seconds = (field) => numberFrom(field.value);
  const place = (at) => ((at - from) / (to - from)) * 100;

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
      drawn.textContent = `The trace cannot be shown. ${error.message}`;
    }
    section.dataset.state = "drawn";
    tell();
  }

  function draw(content) {
    drawn.replaceChildren(
      ...content.strips.map((strip) => {
        const box = document.createElement("div");
        box.className = "strip";
        const name = document.createElement("span");
        name.textContent = strip.label.replace(/^ECG_/, "");
        const held = strip.microvolts.filter((value) => value !== null);
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
    document.getElementById("strip-scale").textContent = `${from.toFixed(2)} to ${to.toFixed(2)} s; vertical lines every ${gridStep() * 1000} ms`;
  }

  const gridStep = () => (to - from > 2.5 ? 0.2 : to - from > 1.2 ? 0.1 : 0.04);
  function grid() {
    let path = "";
    const step = gridStep();
    for (let at = Math.ceil(from / step) * step; at < to; at += step) path += `M${(((at - from) / (to - from)) * 1000).toFixed(1)} 0V200`;
    return path;
  }

  function set(mark, at) {
    const within = Math.min(Math.max(at, first), last);
    marks[mark].value = within.toFixed(3);
    tell();
  }

  function tell() {
    for (const mark of ["a", "b"]) {
      const at = seconds(marks[mark]);
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
    const span = (seconds(marks.b) - seconds(marks.a)) * 1000;
    const two = ambiguous(marks.a.value) || ambiguous(marks.b.value);
    between.textContent = Number.isFinite(span) ? `A to B: ${Math.round(span)} ms` : two || "Set both marks.";
  }

  const at = (event) => {
    const box = drawn.getBoundingClientRect();
    return from + ((event.clientX - box.left) / box.width) * (to - from);
  };

  for (const [mark, handle] of Object.entries(handles)) {
    const current = () => (Number.isFinite(seconds(marks[mark])) ? seconds(marks[mark]) : from + (to - from) * (mark === "a" ? 0.25 : 0.75));
    handle.addEventListener("pointerdown", (event) => {
      handle.setPointerCapture(event.pointerId);
      const grabbed = at(event) - current();
      const move = (moved) => set(mark, at(moved) - grabbed);
      handle.addEventListener("pointermove", move);
      const stop = () => handle.removeEventListener("pointermove", move);
      handle.addEventListener("pointerup", stop, { once: true });
      handle.addEventListener("pointercancel", stop, { once: true });
    });
    handle.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageUp: 10, PageDown: -10 }[event.key];
      if (step === undefined && event.key !== "Home" && event.key !== "End") return;
      event.preventDefault();
      if (event.key === "Home") set(mark, from);
      else if (event.key === "End") set(mark, to);
      else set(mark, current() + (step * (event.shiftKey ? 10 : 1)) / 1000);
    });
    for (const button of section.querySelectorAll(`fieldset[data-mark="${mark}"] [data-step]`)) {
      button.addEventListener("click", () => set(mark, current() + Number(button.dataset.step) / 1000));
    }
    marks[mark].addEventListener("input", tell);
    leads[mark].addEventListener("change", () => show(from, to));
  }

  // A tap sets the chosen mark, and the turn goes to the other one.
  drawn.addEventListener("click", (event) => {
    const chosen = section.querySelector("input[name=tapped]:checked");
    set(chosen.value, at(event));
    section.querySelector(`input[name=tapped][value=${chosen.value === "a" ? "b" : "a"}]`).checked = true;
  });

  section.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    const [span, middle] = [to - from, (from + to) / 2];
    if (button?.dataset.move) show(from + span * Number(button.dataset.move), to + span * Number(button.dataset.move));
    if (button?.dataset.zoom) show(middle - (span * Number(button.dataset.zoom)) / 2, middle + (span * Number(button.dataset.zoom)) / 2);
  });

  show(from, to);
}
