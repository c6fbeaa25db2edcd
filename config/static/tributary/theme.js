// Runs before the page is painted: puts the remembered theme, else the device's, on the document.
(function () {
  "use strict";
  const key = "tributary-theme";
  let chosen = null;
  try {
    chosen = localStorage.getItem(key);
  } catch {
    // Storage may be forbidden; the device's preference then decides every time.
  }
  if (chosen !== "dark" && chosen !== "bright") {
    chosen = matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "bright";
  }
  document.documentElement.dataset.theme = chosen;
})();
