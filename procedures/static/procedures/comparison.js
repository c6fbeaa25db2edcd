// Keeps an open comparison up to date: asks a few times a second whether anything changed, and fetches the new one if so.
// What was opened stays open, and a figure inside a closed section is fetched only once the section is opened.
const PERIOD_MS = 400;
const box = /** @type {HTMLElement} */ (document.getElementById("comparison"));
/** @type {Set<string>} */
const opened = new Set();
let asking = false;
// Going back reloads the page: a part of it alone would not do.
window.htmx.config.refreshOnHistoryMiss = true;

async function look() {
  const mark = document.getElementById("comparison-state");
  if (!mark?.dataset.stateUrl || document.hidden || asking) return;
  asking = true;
  try {
    const answer = await fetch(mark.dataset.stateUrl, { headers: { Accept: "application/json" } });
    if (answer.status === 423) document.dispatchEvent(new CustomEvent("locked"));
    if (answer.ok && !answer.redirected && (await answer.json()).state !== mark.dataset.state) {
      await window.htmx.ajax("GET", mark.dataset.bodyUrl, { target: box, swap: "innerHTML" });
      const [said, answered] = ["said", "answer"].map((id) => document.getElementById(id));
      if (said && answered) said.textContent = answered.textContent;
    }
  } catch {
    // The line is down; the next question comes soon enough.
  } finally {
    asking = false;
  }
}

/** @param {Element} section */
function unfold(section) {
  const later = section.querySelectorAll("template");
  for (const template of later) template.replaceWith(template.content.cloneNode(true));
  // The script of the figures looks for new ones after every swap.
  if (later.length) section.dispatchEvent(new CustomEvent("htmx:afterSwap", { bubbles: true }));
}

// "toggle" does not bubble, hence the capture.
box.addEventListener(
  "toggle",
  (event) => {
    const section = /** @type {HTMLDetailsElement} */ (event.target);
    if (!section.open) return void opened.delete(section.id);
    opened.add(section.id);
    unfold(section);
  },
  true,
);
box.addEventListener("htmx:afterSwap", (event) => {
  if (event.target === box) for (const id of opened) document.getElementById(id)?.setAttribute("open", "");
});

setInterval(look, PERIOD_MS);
