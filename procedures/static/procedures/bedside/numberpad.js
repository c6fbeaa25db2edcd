// One number: offered values to tap, digits to type, the range it must lie in and the range that is common.
// A hard limit refuses; a common one asks once. Nothing is chosen beforehand.
import { ambiguous, numberFrom } from "../../tributary/numbers.js";
import { button, h, say } from "./dom.js";
import { judged, range } from "./judging.js";
import { plain } from "./words.js";

const KEYS = ["7", "8", "9", "4", "5", "6", "1", "2", "3", ".", "0", "⌫"];
/** @type {Record<string, string>} */
const NAMES = { ".": "Point", "⌫": "Delete the last digit" };

/**
 * `quantities` are alternatives of which one is answered.
 * @param {object} given
 * @param {string} given.heading
 * @param {Asked[]} given.quantities
 * @param {(answer: {name?: string, value: number, confirmed: boolean}) => void} given.done
 * @param {{text: string, act: () => void, refused?: string | null} | null} [given.skip]
 * @param {number | null} [given.value]
 */
export function openPad({ heading, quantities, done, skip = null, value = null }) {
  /** @type {Asked | null} */
  let chosen = quantities.length === 1 ? quantities[0] : null;
  /** @type {[Asked, number] | null} */
  let asked = null;
  const input = h("input", { type: "text", class: "big number", inputmode: "none", autocomplete: "off", id: "pad-value" });
  const unit = h("span", { class: "unit" });
  const message = h("p", { class: "error", role: "alert" });
  const offered = h("div", { class: "offered" });
  const choice = h("div", { class: "tiles wide choice-of", role: "group", "aria-label": "Choose one" });
  const sure = h("p", { class: "actions ask", hidden: true });
  if (value !== null) input.value = plain(value);

  /** @param {HTMLElement} within */
  const focusButton = (within) => /** @type {HTMLElement} */ (within.querySelector("button")).focus();

  /**
   * @param {Asked} one
   * @param {number} number
   */
  function take(one, number, certain = false) {
    const problem = judged(one, number);
    if (problem && !(problem.ask && certain)) {
      say(message, problem.text);
      sure.hidden = !problem.ask;
      asked = problem.ask ? [one, number] : null;
      if (asked) focusButton(sure);
      else input.focus();
      return;
    }
    say(message, "");
    sure.hidden = true;
    done({ name: one.name, value: number, confirmed: Boolean(problem) });
  }

  function typed() {
    if (!input.value.trim() && skip && !skip.refused) return skip.act();
    if (!chosen) {
      say(message, "Choose one of these, then enter the number.");
      focusButton(choice);
      return;
    }
    const two = ambiguous(input.value);
    if (!two) return take(chosen, numberFrom(input.value));
    say(message, `${chosen.label}: ${two}`);
    input.focus();
  }

  /** @param {Asked} one */
  function choose(one) {
    chosen = one;
    say(unit, one.unit);
    for (const other of /** @type {HTMLElement[]} */ ([...choice.children])) other.setAttribute("aria-pressed", String(other.dataset.name === one.name));
  }

  /** @param {Asked} one */
  function tiles(one) {
    const box = h("div", { class: "tiles", role: "group", "aria-label": `${one.label}, values` });
    if (one.last) {
      const [number, where] = one.last;
      const again = button("", () => take(one, number), { class: "tile again" });
      again.append(h("b", {}, `${plain(number)} ${one.unit}`), h("span", { class: "small" }, where));
      box.append(again);
    }
    for (const number of one.values) {
      const { within } = one;
      const act = () => (within ? finer(one, box, number, within) : take(one, number));
      const name = one.within ? `${plain(number)} ${one.unit} and more` : `${plain(number)} ${one.unit}`;
      box.append(button(one.within ? `${plain(number)} …` : plain(number), act, { class: "tile", "aria-label": name }));
    }
    return box;
  }

  /**
   * The second tap of two: the values between this one and the next.
   * @param {Asked} one
   * @param {HTMLElement} box
   * @param {number} from
   * @param {number} within
   */
  function finer(one, box, from, within) {
    const count = Math.round(within / one.step);
    const values = Array.from({ length: count }, (_, place) => from + place * one.step);
    const coarse = button("Other …", () => {
      box.replaceWith(tiles(one));
      focusButton(offered);
    }, { class: "tile quiet" });
    box.replaceChildren(...values.map((number) =>
      button(plain(number), () => take(one, number), { class: "tile fine", "aria-label": `${plain(number)} ${one.unit}` })), coarse);
    focusButton(box);
  }

  /** @param {string} key */
  function press(key) {
    if (key === "⌫") input.value = input.value.slice(0, -1);
    else if (input.value.length < 7) input.value += key;
    say(message, "");
    sure.hidden = true;
  }

  /** @param {1 | -1} direction */
  function nudge(direction) {
    const one = chosen ?? quantities[0];
    const now = numberFrom(input.value);
    const start = Number.isNaN(now) ? (one.last?.[0] ?? one.values[0] ?? one.usual[0]) : now + direction * one.step;
    input.value = plain(Math.min(Math.max(start, one.hard[0]), one.hard[1]));
    say(message, "");
  }

  sure.append(
    button("Yes, it is correct", () => asked && take(...asked, true), { class: "bedside primary" }),
    button("No, change it", () => {
      sure.hidden = true;
      say(message, "");
      input.value = "";
      input.focus();
    }, { class: "bedside" }),
  );
  for (const one of quantities) {
    if (quantities.length > 1) {
      const pick = button(one.choice ?? one.label, () => choose(one), { class: "tile", "aria-pressed": "false" });
      pick.dataset.name = one.name;
      choice.append(pick);
      offered.append(h("h3", {}, one.choice ?? one.label));
    }
    if (one.values.length || one.last) offered.append(tiles(one));
  }
  const only = quantities[0];
  const keys = h("div", { class: "keys", role: "group", "aria-label": "Digits" },
    ...KEYS.map((key) => button(key, () => press(key), { class: "tile key", "aria-label": NAMES[key] ?? null })));
  const less = button("−", () => nudge(-1), { class: "tile step", "aria-label": `Less, by ${plain(only.step)}` });
  const more = button("+", () => nudge(1), { class: "tile step", "aria-label": `More, by ${plain(only.step)}` });
  const skipping = skip && button(skip.text, skip.act, { class: "bedside", disabled: Boolean(skip.refused) });
  const left = h("div", {},
    offered.children.length ? offered : null,
    skip?.refused ? h("p", { class: "hint" }, skip.refused) : null,
    h("p", { class: "actions" }, skipping, h("button", { class: "bedside primary" }, "Next")));
  const right = h("div", {},
    h("p", { class: "value-line" }, less, input, unit, more),
    quantities.length > 1 ? choice : null,
    h("p", { class: "hint range" }, quantities.map((one) => range(one)).join(" / ")),
    message, sure, keys);
  input.setAttribute("aria-label", quantities.length === 1 ? `${only.label}, ${only.unit}` : heading);
  if (chosen) choose(chosen);
  const form = h("form", { class: "pad-body", onsubmit: (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    typed();
  } }, left, right);
  return {
    element: h("div", { class: "pad" }, h("h2", { tabindex: "-1" }, heading), form),
    focus: () => {
      input.focus();
      return input;
    },
  };
}
