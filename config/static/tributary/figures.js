// Draws every figure of the page, again when the theme changes, and those that arrive later.
import { redraw, start } from "./plotting.js";

document.addEventListener("themechange", redraw);
document.addEventListener("htmx:afterSwap", (event) => start(/** @type {HTMLElement} */ (event.target)));
start();
