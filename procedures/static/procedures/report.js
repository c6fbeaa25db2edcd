// The print button; without it the browser's own menu prints as well.
/** @type {NodeListOf<HTMLElement>} */
const buttons = document.querySelectorAll("[data-print]");
for (const button of buttons) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}
