// The page of an electrocardiogram: the sheets of twelve leads and the average beats.
import { fetched, make, paper, pulse, say, stimulus, trace } from "./ecg_paper.js";
import "./calipers.js";

/** @typedef {{times_ms: number[], microvolts: (number | null)[]}} Trace */
/** @typedef {Trace & {lead: string, row: number, column: number, missing?: boolean}} Panel */
/** @typedef {{label: string, panels: Panel[], rhythm: Trace & {lead: string}, stimuli_ms: number[]}} Sheet */
/**
 * An average beat. `kind`: this one, or the one it is laid over.
 * @typedef {{label: string, onset_ms: number, offset_ms: number, sample_rate_hz: number, leads: Record<string, number[]>,
 *   stimuli_ms: number[]}} Average
 * @typedef {Average & {kind: "this" | "that"}} Beat
 */

const MM_PER_S = 25;
const MM_PER_MV = 10;
const LEFT = 9;
const COLUMN = 62.5;
const ROW = 30;
const WIDTH = 262;
const HEIGHT = 4 * ROW + 4;

/** @param {Sheet} data */
function sheet(data) {
  const svg = paper(WIDTH, HEIGHT, data.label);
  /** @param {number} row */
  const middle = (row) => ROW * row + ROW * 0.55;
  for (const panel of data.panels) {
    const [left, base] = [LEFT + COLUMN * panel.column, middle(panel.row)];
    if (panel.column) svg.append(make("path", { d: `M${left} ${base - 9}v2M${left} ${base + 7}v2`, class: "tick" }));
    draw(svg, panel, left, base);
    say(svg, left + 1, base - 8.5, panel.missing ? `${panel.lead}: not recorded` : panel.lead);
  }
  draw(svg, data.rhythm, LEFT, middle(3));
  say(svg, LEFT + 1, middle(3) - 8.5, data.rhythm.lead);
  for (let row = 0; row < 4; row += 1) pulse(svg, 1, middle(row));
  for (const at of data.stimuli_ms) stimulus(svg, LEFT + (at / 1000) * MM_PER_S, HEIGHT - 1);
  return svg;
}

/**
 * @param {Element} svg
 * @param {Trace} part
 * @param {number} left
 * @param {number} base
 */
function draw(svg, part, left, base) {
  const path = trace(
    part.times_ms,
    part.microvolts,
    (ms) => left + (ms / 1000) * MM_PER_S,
    (microvolts) => base - (microvolts / 1000) * MM_PER_MV,
  );
  svg.append(make("path", { d: path, class: "trace" }));
}

// Average beats: 100 mm/s, so that a small square is 10 ms; both are put with their QRS onset at the same place.
const BEAT_MM_PER_S = 100;
const BEFORE_MS = 130;
const SHOWN_MS = 600;

/** @param {{ecg: Average, other: Average | null}} content */
function beats({ ecg, other }) {
  const names = ["I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6"];
  /** @type {Beat[]} */
  const both = [{ ...ecg, kind: "this" }];
  if (other) both.unshift({ ...other, kind: "that" });
  const rowHeights = [0, 1, 2].map((row) => needed(both, names.filter((_, index) => index % 3 === row)));
  const height = rowHeights.reduce((sum, [up, down]) => sum + up + down, 0);
  const svg = paper(WIDTH, Math.ceil(height / 5) * 5, ecg.label);
  let top = 0;
  rowHeights.forEach(([up, down], row) => {
    for (let column = 0; column < 4; column += 1) {
      const name = names[column * 3 + row];
      const left = 3 + column * (COLUMN + 2);
      both.forEach((beat) => one(svg, beat, name, left, top, up, down));
      say(svg, left, top + 4.5, name);
    }
    top += up + down;
  });
  return svg;
}

/** @param {Beat} beat */
const window_ = (beat) => [beat.onset_ms - BEFORE_MS, beat.onset_ms - BEFORE_MS + SHOWN_MS];

/**
 * How far a row of leads reaches up and down, in whole squares.
 * @param {Beat[]} both
 * @param {string[]} names
 */
function needed(both, names) {
  let [high, low] = [500, -500];
  for (const beat of both) {
    const [from, to] = window_(beat).map((ms) => Math.round((ms / 1000) * beat.sample_rate_hz));
    for (const name of names) {
      const part = (beat.leads[name] ?? []).slice(Math.max(0, from), Math.max(0, to));
      high = Math.max(high, ...part);
      low = Math.min(low, ...part);
    }
  }
  /** @param {number} microvolts */
  const squares = (microvolts) => Math.min(45, Math.ceil(microvolts / 500) * 5 + 2.5);
  return [squares(high), squares(-low)];
}

/**
 * @param {Element} svg
 * @param {Beat} beat
 * @param {string} name of a lead
 * @param {number} left
 * @param {number} top
 * @param {number} up
 * @param {number} down
 */
function one(svg, beat, name, left, top, up, down) {
  /** @param {number} ms */
  const x = (ms) => left + ((ms - beat.onset_ms + BEFORE_MS) / 1000) * BEAT_MM_PER_S;
  const samples = beat.leads[name];
  for (const [kind, at] of Object.entries({ onset: beat.onset_ms, offset: beat.offset_ms })) {
    svg.append(make("path", { d: `M${x(at).toFixed(2)} ${top + 5.5}V${top + up + down - 1}`, class: `limit ${kind} ${beat.kind}` }));
  }
  if (!samples) return;
  const times = samples.map((_, index) => (index / beat.sample_rate_hz) * 1000);
  const [from, to] = window_(beat);
  const held = times.map((ms, index) => (ms >= from && ms <= to ? samples[index] : null));
  /** @param {number} microvolts */
  const y = (microvolts) => top + up - (microvolts / 1000) * MM_PER_MV;
  svg.append(make("path", { d: trace(times, held, x, y), class: `trace ${beat.kind}` }));
  for (const at of beat.stimuli_ms) if (at > from) stimulus(svg, x(at), top + 5.2, `stimulus ${beat.kind}`);
}

/**
 * @param {HTMLElement} figure
 * @param {string | undefined} url
 * @param {(content: any) => Element} drawn
 */
async function fill(figure, url, drawn) {
  const target = /** @type {Element} */ (figure.querySelector(".target"));
  try {
    target.replaceChildren(drawn(await fetched(url ?? "")));
    figure.dataset.state = "drawn";
  } catch (error) {
    target.replaceChildren();
    const said = document.createElement("p");
    said.textContent = `The trace cannot be shown. ${/** @type {Error} */ (error).message}`;
    target.append(said);
    figure.dataset.state = "failed";
  }
}

/** @type {NodeListOf<HTMLElement>} */
const sheets = document.querySelectorAll("[data-sheet]");
for (const figure of sheets) fill(figure, figure.dataset.sheet, sheet);
/** @type {NodeListOf<HTMLElement>} */
const averages = document.querySelectorAll("[data-beats]");
for (const figure of averages) fill(figure, figure.dataset.beats, beats);
