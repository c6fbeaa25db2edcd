// Draws a <figure class="plot" data-figure-url="…">: fetches {data, layout, config?} and hands it to Plotly.
// A figure asks with "#000000" for the colour of ink and with "#50545a" for a softer one; they become those of the theme.
/** @typedef {{data?: any[], layout?: Record<string, any>, config?: Record<string, any>, message?: string, again_s?: number}} Figure */

/** @type {Map<HTMLElement, Figure>} */
const drawn = new Map();
/** @type {WeakMap<HTMLElement, object>} */
const asked = new WeakMap();

/** @param {string} name of a custom property of the theme */
function token(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

/**
 * @param {any} value
 * @param {string} ink
 * @returns {any}
 */
function inked(value, ink) {
  if (value === "#000000") return ink;
  if (value === "#50545a") return token("--ink-soft");
  if (typeof value === "string") return value;
  if (Array.isArray(value)) return value.map((one) => inked(one, ink));
  if (value && typeof value === "object" && !ArrayBuffer.isView(value)) {
    return Object.fromEntries(Object.entries(value).map(([key, one]) => [key, inked(one, ink)]));
  }
  return value;
}

/**
 * @param {any} given
 * @param {string} ink
 */
function axis(given, ink) {
  return {
    gridcolor: token("--rule"),
    linecolor: token("--edge"),
    zerolinecolor: token("--edge"),
    tickcolor: token("--edge"),
    automargin: true,
    fixedrange: true,
    ...inked(given, ink),
  };
}

/** @param {Figure} figure */
export function themed(figure) {
  const ink = token("--ink");
  const { template: _ignored, ...given } = figure.layout ?? {};
  /** @type {Record<string, any>} */
  const layout = {
    margin: { l: 56, r: 16, t: 24, b: 48 },
    hovermode: "closest",
    dragmode: false,
    ...inked(given, ink),
    autosize: true,
    paper_bgcolor: token("--sheet"),
    plot_bgcolor: token("--sheet"),
    font: { family: token("--sans"), size: 15, ...(given.font ?? {}), color: ink },
    hoverlabel: { bgcolor: token("--press"), bordercolor: token("--press"), font: { color: token("--press-ink") } },
  };
  for (const name of new Set(["xaxis", "yaxis", ...Object.keys(given)])) {
    if (/^[xy]axis\d*$/.test(name)) layout[name] = axis(given[name], ink);
  }
  const config = { displayModeBar: false, displaylogo: false, responsive: true, ...(figure.config ?? {}) };
  return { data: inked(figure.data ?? [], ink), layout, config };
}

/**
 * @param {HTMLElement} element
 * @param {string} text
 * @param {boolean} failed
 */
function say(element, text, failed = false) {
  /** @type {HTMLElement | null} */
  const state = element.querySelector(".state");
  if (!state) return;
  state.textContent = text;
  state.hidden = !text;
  state.classList.toggle("failed", failed);
}

/**
 * @param {HTMLElement} element
 * @param {Figure} figure
 */
export async function draw(element, figure) {
  drawn.set(element, figure);
  const { data, layout, config } = themed(figure);
  const target = element.querySelector(".canvas .target") ?? element.querySelector(".canvas");
  await window.Plotly.react(target, data, layout, config);
  say(element, "");
  element.dataset.state = "drawn";
  element.dispatchEvent(new CustomEvent("drawn", { bubbles: true, detail: { target } }));
}

/**
 * A slow answer to an earlier question is dropped.
 * @param {HTMLElement} element
 * @param {string} url
 */
export async function load(element, url = element.dataset.figureUrl ?? "") {
  const question = {};
  asked.set(element, question);
  const overtaken = () => asked.get(element) !== question;
  element.dataset.state = "loading";
  element.dataset.asked = url;
  say(element, "Loading the figure …");
  try {
    const answer = await fetch(url, { headers: { Accept: "application/json" } });
    if (!answer.ok) throw new Error(String(answer.status));
    const figure = await answer.json();
    if (overtaken()) return;
    if (!figure.data?.length) {
      element.dataset.state = "empty";
      say(element, figure.message ?? "There is nothing to draw yet.");
      // What is still being prepared is asked for again, unless another stretch was asked for meanwhile.
      if (figure.again_s) setTimeout(() => element.dataset.asked === url && load(element, url), figure.again_s * 1000);
      return;
    }
    await draw(element, figure);
  } catch {
    if (overtaken()) return;
    element.dataset.state = "failed";
    say(element, "The figure could not be loaded. See the table for the same numbers.", true);
  }
}

/** @param {HTMLElement} element */
function prepare(element) {
  const canvas = element.querySelector(".canvas");
  if (!canvas || canvas.querySelector(".target")) return;
  const target = document.createElement("div");
  target.className = "target";
  const state = document.createElement("p");
  state.className = "state";
  state.setAttribute("role", "status");
  canvas.append(target, state);
}

/** @param {ParentNode} root */
export function start(root = document) {
  /** @type {NodeListOf<HTMLElement>} */
  const figures = root.querySelectorAll("figure.plot");
  for (const element of figures) {
    prepare(element);
    if (element.dataset.figureUrl && !element.dataset.state) load(element);
  }
}

export function redraw() {
  drawn.forEach((figure, element) => draw(element, figure));
}
