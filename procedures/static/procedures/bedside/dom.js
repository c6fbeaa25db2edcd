// Building and moving elements; nothing here knows the trade.
/**
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {Record<string, any>} properties
 * @param {...any} children
 * @returns {HTMLElementTagNameMap[T]}
 */
export function h(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "class") element.className = value;
    else if (name === "text") element.textContent = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

const SVG = "http://www.w3.org/2000/svg";

/**
 * @param {string} tag
 * @param {Record<string, any>} attributes
 * @param {...any} children
 */
export function s(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

/**
 * @param {string} text
 * @param {(event: MouseEvent) => unknown} onclick
 * @param {Record<string, any>} properties
 */
export function button(text, onclick, properties = {}) {
  return h("button", { type: "button", ...properties, onclick }, text);
}

/**
 * Text is only touched when it differs, so that a screen reader hears changes and nothing flickers.
 * @param {Element} element
 * @param {string} text
 */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/**
 * Keeps the elements of a list by key: none is rebuilt under a finger, and the focus stays.
 * @template {{key: Key}} T
 * @param {HTMLElement} list
 * @param {T[]} items
 * @param {(item: T) => HTMLElement} make
 * @param {(element: HTMLElement, item: T) => void} refresh
 */
export function keyed(list, items, make, refresh) {
  const children = /** @type {HTMLElement[]} */ ([...list.children]);
  const there = new Map(children.map((element) => [element.dataset.key, element]));
  /** @type {Element | null} */
  let place = list.firstElementChild;
  for (const item of items) {
    let element = there.get(item.key);
    if (!element) {
      element = make(item);
      element.dataset.key = item.key;
    }
    there.delete(item.key);
    refresh(element, item);
    if (element === place) place = place.nextElementSibling;
    else list.insertBefore(element, place);
  }
  for (const element of there.values()) element.remove();
}
