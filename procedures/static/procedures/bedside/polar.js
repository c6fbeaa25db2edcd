// The polar diagram of the left ventricle to tap on, and the same segments as a list.
import { button, h, s } from "./dom.js";

/**
 * AHA 17-segment model (Cerqueira et al., Circulation 2002;105:539); outlines and names come from the server.
 * @param {Segment[]} segments
 * @param {{taken?: Record<number, number>, chosen?: number | null, pick: (segment: number) => void}} options
 */
export function segmentPicker(segments, { taken = {}, chosen = null, pick }) {
  const drawing = s("svg", { viewBox: "-206 -206 412 412", class: "polar-pick", "aria-hidden": "true" });
  for (const segment of segments) {
    const path = s("path", { d: segment.path });
    path.dataset.segment = String(segment.number);
    if (segment.number === chosen) path.classList.add("chosen");
    path.addEventListener("click", () => pick(segment.number));
    const [x, y] = segment.at;
    const number = s("text", { x, y: y + 7, "text-anchor": "middle" });
    number.textContent = String(segment.number);
    drawing.append(path, number);
    if (taken[segment.number]) {
      const sites = s("text", { x, y: y + 27, "text-anchor": "middle", class: "taken" });
      sites.textContent = "◆".repeat(Math.min(taken[segment.number], 3));
      drawing.append(sites);
    }
  }
  const rows = ["basal", "mid", "apical"].map((ring) => {
    const ones = segments.filter((segment) => segment.ring === ring);
    const tiles = ones.map((segment) => button("", () => pick(segment.number), {
      class: "tile segment",
      "aria-pressed": String(segment.number === chosen),
    }));
    tiles.forEach((tile, place) => {
      const { number, name } = ones[place];
      const wall = name === ring || name === "apex" ? name : name.slice(ring.length + 1);
      tile.append(h("b", {}, String(number)), h("span", { class: "small" }, wall));
      tile.setAttribute("aria-label", `Segment ${number}, ${name}`);
    });
    return h("div", { class: "ring" }, h("h3", {}, ring), h("div", { class: "tiles" }, ...tiles));
  });
  const list = h("details", { class: "segment-list" }, h("summary", {}, "Segments as a list"), ...rows);
  const caption = h("p", { class: "walls small", "aria-hidden": "true" }, "Anterior up, septum left, lateral right");
  return h("div", { class: "picker" }, drawing, caption, list);
}
