// Electrocardiograms on millimetre paper, as SVG whose unit is the millimetre.
const SPACE = "http://www.w3.org/2000/svg";

/**
 * @param {string} name
 * @param {Record<string, string | number>} attributes
 * @param {string} text
 */
export function make(name, attributes = {}, text = "") {
  const element = document.createElementNS(SPACE, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  if (text) element.textContent = text;
  return element;
}

/**
 * Millimetres in a box: 1 mm lines, heavier every 5 mm.
 * @param {number} width
 * @param {number} height
 * @param {string} label
 */
export function paper(width, height, label) {
  const svg = make("svg", { viewBox: `0 0 ${width} ${height}`, class: "ecg", "aria-hidden": "true" });
  svg.dataset.mm = `${width} ${height}`;
  svg.dataset.label = label;
  /**
   * @param {number} at
   * @param {boolean} upright
   */
  const line = (at, upright) => (upright ? `M${at} 0V${height}` : `M0 ${at}H${width}`);
  for (const [kind, every] of Object.entries({ fine: 1, coarse: 5 })) {
    let path = "";
    for (let x = 0; x <= width; x += every) path += line(x, true);
    for (let y = 0; y <= height; y += every) path += line(y, false);
    svg.append(make("path", { d: path, class: `grid-${kind}` }));
  }
  return svg;
}

/**
 * A signal as path data; pauses (null) break the line.
 * @param {number[]} times
 * @param {(number | null)[]} values
 * @param {(time: number) => number} x to millimetres
 * @param {(value: number) => number} y to millimetres
 */
export function trace(times, values, x, y) {
  let path = "";
  let down = false;
  for (let i = 0; i < values.length; i += 1) {
    const value = values[i];
    if (value === null) {
      down = false;
      continue;
    }
    path += `${down ? "L" : "M"}${x(times[i]).toFixed(2)} ${y(value).toFixed(2)}`;
    down = true;
  }
  return path;
}

/**
 * @param {Element} svg
 * @param {number} x
 * @param {number} y
 * @param {string} text
 * @param {string} kind
 */
export function say(svg, x, y, text, kind = "name") {
  svg.append(make("text", { x, y, class: kind }, text));
}

/**
 * A small triangle that points at a pacing stimulus.
 * @param {Element} svg
 * @param {number} x
 * @param {number} y
 * @param {string} kind
 */
export function stimulus(svg, x, y, kind = "stimulus") {
  svg.append(make("path", { d: `M${x} ${y}l-1.1 -2h2.2z`, class: kind }));
}

/**
 * The calibration pulse: 1 mV for 200 ms.
 * @param {Element} svg
 * @param {number} x
 * @param {number} y
 */
export function pulse(svg, x, y) {
  svg.append(make("path", { d: `M${x} ${y}h1v-10h5v10h1`, class: "trace" }));
}

/** @param {string} url */
export async function fetched(url) {
  const answer = await fetch(url, { headers: { Accept: "application/json" } });
  const content = await answer.json();
  if (!answer.ok) throw new Error(content.message ?? "The server did not send the trace.");
  return content;
}
