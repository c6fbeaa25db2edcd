// What is where, always in view: entries on this tablet only, entries that need somebody, and whether the server answers.
import { kindOf, words } from "./line_words.js";

const SHAPES = { good: "●", busy: "◐", off: "○", ask: "▲" };

/**
 * @param {import("./store.js").Store} store
 * @param {HTMLElement} place
 */
export function showLine(store, place) {
  const shape = document.createElement("span");
  shape.className = "shape";
  shape.setAttribute("aria-hidden", "true");
  const text = document.createElement("span");
  text.setAttribute("role", "status");
  const send = document.createElement("button");
  send.type = "button";
  send.className = "bedside";
  send.textContent = "Send now";
  send.addEventListener("click", () => store.sendNow());
  const logIn = document.createElement("a");
  logIn.className = "button bedside";
  logIn.target = "_blank";
  // The page that ends the log-in closes itself, for which it must know that it was opened from here.
  logIn.rel = "opener";
  logIn.href = document.documentElement.dataset.logIn ?? "/log-in/";
  logIn.textContent = "Log in";
  place.replaceChildren(shape, text, send, logIn);

  const show = () => {
    const { counts } = store;
    const kind = kindOf(counts);
    place.dataset.line = kind;
    shape.textContent = SHAPES[kind];
    const said = words(counts);
    // A screen reader is told changes only, not every look at the server.
    if (text.textContent !== said) text.textContent = said;
    send.hidden = !counts.here || counts.needsLogIn;
    logIn.hidden = !counts.needsLogIn;
  };
  store.subscribe(show);
  setInterval(show, 15_000);
  show();
}
