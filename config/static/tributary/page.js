// What every page does: the theme switch, the focus on what went wrong, and one submission per press.
const root = document.documentElement;

/** @param {HTMLElement} button */
function wordTheSwitch(button) {
  button.textContent = root.dataset.theme === "dark" ? "Bright" : "Dark room";
}

/** @type {NodeListOf<HTMLButtonElement>} */
const switches = document.querySelectorAll("[data-theme-switch]");
for (const button of switches) {
  button.hidden = false;
  wordTheSwitch(button);
  button.addEventListener("click", () => {
    root.dataset.theme = root.dataset.theme === "dark" ? "bright" : "dark";
    try {
      localStorage.setItem("tributary-theme", root.dataset.theme);
    } catch {
      // Kept for this page only.
    }
    wordTheSwitch(button);
    document.dispatchEvent(new CustomEvent("themechange"));
  });
}

/** @type {HTMLElement | null} */
const summary = document.querySelector(".error-summary");
summary?.focus();

/** @type {NodeListOf<HTMLAnchorElement>} */
const toFields = document.querySelectorAll(".error-summary a[href^='#']");
for (const link of toFields) {
  link.addEventListener("click", (event) => {
    const group = document.getElementById(link.hash.slice(1));
    if (!group) return;
    event.preventDefault();
    /** @type {HTMLElement | null} */
    const control = group.matches("input, select, textarea") ? group : group.querySelector("input, select, textarea");
    (control ?? group).focus();
    group.closest(".field")?.scrollIntoView({ block: "center" });
  });
}

// The server ignores a second submission too (each form carries its key); this only spares the confusion.
document.addEventListener("submit", (event) => {
  const form = /** @type {HTMLFormElement} */ (event.target);
  if (form.method !== "post" || event.defaultPrevented || "ownSubmit" in form.dataset) return;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  for (const button of form.querySelectorAll("button:not([type='button'])")) button.setAttribute("aria-disabled", "true");
});
window.addEventListener("pageshow", () => {
  /** @type {NodeListOf<HTMLFormElement>} */
  const sent = document.querySelectorAll("form[data-sent]");
  for (const form of sent) {
    delete form.dataset.sent;
    for (const button of form.querySelectorAll("[aria-disabled]")) button.removeAttribute("aria-disabled");
  }
});

/** @type {NodeListOf<HTMLSelectElement>} */
const submitting = document.querySelectorAll("select[data-submits]");
for (const select of submitting) {
  select.addEventListener("change", () => select.form?.requestSubmit());
}

for (const region of document.querySelectorAll("[data-open-at-end]")) region.scrollTop = region.scrollHeight;

// A table wider than the screen scrolls; the keyboard must reach it too.
const watcher = new ResizeObserver((entries) => {
  for (const { target } of entries) {
    const wide = target.scrollWidth > target.clientWidth;
    const name = target.querySelector("caption")?.textContent.trim().replace(/\s+/g, " ");
    for (const [attribute, value] of Object.entries({ tabindex: "0", role: "region", "aria-label": name })) {
      if (wide && value) target.setAttribute(attribute, value);
      else target.removeAttribute(attribute);
    }
  }
});
for (const region of document.querySelectorAll(".scroll")) watcher.observe(region);
