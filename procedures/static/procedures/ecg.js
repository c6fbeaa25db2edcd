// The page of an electrocardiogram: the sheets of twelve leads and the average beats.
import { fetched, make, paper, pulse, say, stimulus, trace } from "./ecg_paper.js";
import "./calipers.js";

const MM_PER_S = 25;
const MM_PER_MV = 10;
const LEFT = 9;
const COLUMN = 62.5;
const ROW = 30;
const WIDTH = 262;
const HEIGHT = 4 * ROW + 4;

function sheet(data) {
  const svg = paper(WIDTH, HEIGHT, data.label);
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

function beats({ ecg, other }) {
  const names = ["I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6"];
  const both = [other && { ...other, kind: "that" }, { ...ecg, kind: "this" }].filter(Boolean);
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

const window_ = (beat) => [beat.onset_ms - BEFORE_MS, beat.onset_ms - BEFORE_MS + SHOWN_MS];

// How far a row of leads reaches up and down, in whole squares.
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
  const squares = (microvolts) => Math.min(45, Math.ceil(microvolts / 500) * 5 + 2.5);
  return [squares(high), squares(-low)];
}

function one(svg, beat, name, left, top, up, down) {
  const x = (ms) => left + ((ms - beat.onset_ms + BEFORE_MS) / 1000) * BEAT_MM_PER_S;
  const samples = beat.leads[name];
  for (const [at, kind] of [[beat.onset_ms, "onset"], [beat.offset_ms, "offset"]]) {
    svg.append(make("path", { d: `M${x(at).toFixed(2)} ${top + 5.5}V${top + up + down - 1}`, class: `limit ${kind} ${beat.kind}` }));
  }
  if (!samples) return;
  const times = samples.map((_, index) => (index / beat.sample_rate_hz) * 1000);
  const [from, to] = window_(beat);
  const held = times.map((ms, index) => (ms >= from && ms <= to ? samples[index] : null));
  const y = (microvolts) => top + up - (microvolts / 1000) * MM_PER_MV;
  svg.append(make("path", { d: trace(times, held, x, y), class: `trace ${beat.kind}` }));
  for (const at of beat.stimuli_ms) if (at > from) stimulus(svg, x(at), top + 5.2, `stimulus ${beat.kind}`);
}

async function fill(figure, url, drawn) {
  const target = figure.querySelector(".target");
  try {
    target.replaceChildren(drawn(await fetched(url)));
    figure.dataset.state = "drawn";
  } catch (error) {
    target.replaceChildren();
    const said = document.createElement("p");
    said.textContent = `The trace cannot be shown. ${error.message}`;
    target.append(said);
    figure.dataset.state = "failed";
  }
}

for (const figure of document.querySelectorAll("[data-sheet]")) fill(figure, figure.dataset.sheet, sheet);
for (const figure of document.querySelectorAll("[data-beats]")) fill(figure, figure.dataset.beats, beats);
