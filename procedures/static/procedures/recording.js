// The signals of a recording: moving through them, and setting an epoch's ends or judging a beat by a tap on the trace.
import { ambiguous, numberFrom } from "../tributary/numbers.js";
import { load } from "../tributary/plotting.js";
import { listBeats, tapBeat } from "./recording_beats.js";

/** @param {string} id of an element that the page always has */
function found(id) {
  return /** @type {HTMLElement} */ (document.getElementById(id));
}

const section = found("signals");
const figure = /** @type {HTMLElement} */ (section.querySelector("figure.plot"));
const first = Number(section.dataset.first);
const last = Number(section.dataset.last);
const fields = /** @type {HTMLInputElement[]} */ ([found("window-start"), found("window-end")]);
const problem = found("window-problem");
const loops = document.getElementById("loops");
const mark = /** @type {HTMLFormElement | null} */ (document.getElementById("mark"));
let shown = [first, last];

/**
 * @param {number} start
 * @param {number} end
 */
function show(start, end) {
  const span = Math.min(Math.max(end - start, 0.2), last - first);
  const from = Math.min(Math.max(start, first), last - span);
  shown = [from, from + span];
  fields.forEach((field, index) => (field.value = shown[index].toFixed(1)));
  const window = `?start=${shown[0].toFixed(3)}&end=${shown[1].toFixed(3)}`;
  load(figure, section.dataset.url + window);
  if (loops) load(loops, loops.dataset.url + window);
  listBeats(shown);
}

section.querySelector("form.window")?.addEventListener("submit", (event) => {
  event.preventDefault();
  const [start, end] = fields.map((field) => numberFrom(field.value));
  const wrong = fields.find((field) => Number.isNaN(numberFrom(field.value)));
  let words = "";
  if (wrong) words = ambiguous(wrong.value) || "Enter seconds, such as 12.5.";
  else if (end <= start) words = "The end must be after the start.";
  problem.textContent = words;
  problem.hidden = !words;
  if (words) (wrong ?? fields[1]).focus();
  else show(start, end);
});

section.addEventListener("click", (event) => {
  const button = /** @type {Element} */ (event.target).closest("button");
  if (!button) return;
  const span = shown[1] - shown[0];
  const middle = (shown[0] + shown[1]) / 2;
  if (button.dataset.move) show(shown[0] + span * Number(button.dataset.move), shown[1] + span * Number(button.dataset.move));
  if (button.dataset.zoom) show(middle - (span * Number(button.dataset.zoom)) / 2, middle + (span * Number(button.dataset.zoom)) / 2);
  if ("whole" in button.dataset) show(first, last);
});

/** @type {NodeListOf<HTMLButtonElement>} */
const showing = document.querySelectorAll("[data-show]");
for (const button of showing) {
  button.hidden = false;
  button.addEventListener("click", () => {
    const [start, end] = (button.dataset.show ?? "").split(" ").map(Number);
    const margin = Math.max(2, (end - start) * 0.2);
    show(start - margin, end + margin);
    section.scrollIntoView({ block: "start" });
  });
}

// Away from the marks of beats a tap sets the start, the next one the end; a tap before the start begins again.
figure.addEventListener("click", (event) => {
  /** @type {any} The figure as its library has drawn it. */
  const target = figure.querySelector(".target");
  const area = target?.querySelector(".draglayer .nsewdrag")?.getBoundingClientRect();
  if (!area || !target._fullLayout || tapBeat(event, target) || !mark) return;
  if (event.clientX < area.left || event.clientX > area.right) return;
  const [low, high] = target._fullLayout.xaxis.range;
  const seconds = low + ((event.clientX - area.left) / area.width) * (high - low);
  const [start, end] = ["start_s", "end_s"].map((name) => /** @type {HTMLInputElement} */ (mark.elements.namedItem(name)));
  const open = start.value && !end.value && seconds > numberFrom(start.value);
  const field = open ? end : start;
  field.value = seconds.toFixed(1);
  if (!open) end.value = "";
  found("tapped").textContent = open
    ? `Epoch from ${start.value} to ${end.value} s. Choose its state and mark it.`
    : `Start at ${start.value} s. Tap where the epoch ends.`;
  outline(target, numberFrom(start.value), open ? numberFrom(end.value) : null);
});

/**
 * @param {any} target
 * @param {number} start
 * @param {number | null} end
 */
function outline(target, start, end) {
  const shapes = (target.layout.shapes ?? []).filter((/** @type {{name?: string}} */ shape) => shape.name !== "new");
  const ink = getComputedStyle(document.documentElement).getPropertyValue("--ink").trim();
  const ends = end === null ? [start, start] : [start, end];
  shapes.push({
    name: "new", type: "rect", xref: "x", yref: "paper", x0: ends[0], x1: ends[1], y0: 0, y1: 1,
    line: { width: 3, dash: "dash", color: ink },
  });
  window.Plotly.relayout(target, { shapes });
}

if (mark) {
  const said = document.createElement("p");
  said.id = "tapped";
  said.className = "hint";
  said.setAttribute("role", "status");
  mark.prepend(said);
}
fields.forEach((field, index) => (field.value = shown[index].toFixed(1)));

// A page that was left for judging a beat comes back to the same window.
const wanted = new URLSearchParams(location.search);
const back = ["start", "end"].map((name) => numberFrom(wanted.get(name)));
if (back.every(Number.isFinite) && back[1] > back[0]) {
  shown = [Math.max(back[0], first), Math.min(back[1], last)];
  fields.forEach((field, index) => (field.value = shown[index].toFixed(1)));
}
listBeats(shown);

// Where tasks run inside the request, the analysis answers only when it has ended; meanwhile its progress is shown.
document.getElementById("analyse")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = /** @type {HTMLFormElement} */ (event.target);
  const button = /** @type {HTMLButtonElement} */ (form.querySelector("button"));
  button.setAttribute("aria-disabled", "true");
  if (form.dataset.sent) return;
  form.dataset.sent = "yes";
  const watch = setTimeout(() => window.htmx?.trigger(document.body, "watch"), 400);
  try {
    const answer = await fetch(form.action, { method: "POST", body: new FormData(form), redirect: "follow" });
    clearTimeout(watch);
    if (answer.ok) {
      location.reload();
      return;
    }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    found("progress").textContent = page.querySelector("#main p")?.textContent ?? "The analysis was not started.";
  } catch {
    found("progress").textContent = "The connection was lost. Reload the page to see the progress of the analysis.";
  }
  delete form.dataset.sent;
  button.removeAttribute("aria-disabled");
});
