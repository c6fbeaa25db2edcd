// The physician's decision and its reason. Nothing is proposed: the sites stand in the order they were entered.
import { button, h, say } from "./dom.js";
import { latestOf, measured } from "./words.js";

const PHRASES = ["Best measured response", "Stable with a safe threshold", "No phrenic stimulation", "Only position reached"];

/**
 * @param {BedsidePage} page
 * @returns {Place}
 */
export function decision(page) {
  const { state } = page;
  const element = h("form", { class: "decision-view", onsubmit: save }, h("h2", { tabindex: "-1" }, "Decision: which site?"));
  const back = h("a", { class: "button bedside", href: "#" }, "Back to the log");
  if (!state.rights.decide) {
    element.append(h("p", {}, "Only a physician can record the decision."), h("p", { class: "actions" }, back));
    return { element };
  }
  const reached = state.sites.filter((one) => one.reached !== false);
  /** @type {Key | null | undefined} */
  let chosen;
  let saving = false;
  const sites = h("div", { class: "tiles wide", role: "group", "aria-label": "Sites" });
  const reason = h("input", { type: "text", id: "decision-reason", maxlength: "500", autocomplete: "off" });
  const error = h("p", { class: "error", role: "alert" });

  function draw() {
    const offered = [...reached.map((one) => [one.key, one.label, latest(one)]), [null, "No site", "LV lead not placed"]];
    sites.replaceChildren(...offered.map(([key, label, words]) => {
      const tile = button("", () => {
        chosen = key;
        say(error, "");
        draw();
      }, { class: "tile", "aria-pressed": String(chosen === key) });
      tile.append(h("b", {}, label), h("span", { class: "small" }, words));
      return tile;
    }));
  }

  /** @param {Item} site */
  function latest(site) {
    return measured(latestOf(site, state.measurements)) || "nothing measured";
  }

  const phrases = PHRASES.map((text) => button(text, () => {
    reason.value = reason.value.trim() ? `${reason.value.trim()}; ${text.toLowerCase()}` : text;
  }, { class: "tile" }));

  /** @param {SubmitEvent} event */
  async function save(event) {
    event.preventDefault();
    if (chosen === undefined) return say(error, "Site: choose a site, or no site.");
    if (!reason.value.trim()) {
      say(error, "Enter the reason.");
      return reason.focus();
    }
    if (saving) return null;
    saving = true;
    try {
      const decided_at = new Date().toISOString();
      await page.put("decision", { site: chosen, decided_at, reason: reason.value.trim(), metric: "" });
      page.go();
      page.tell("Decision recorded");
    } finally {
      saving = false;
    }
    return null;
  }

  draw();
  element.append(sites, h("label", { for: "decision-reason" }, "Reason"), reason, error,
    h("div", { class: "tiles wide", role: "group", "aria-label": "Common reasons" }, ...phrases),
    h("p", { class: "actions end" }, back, h("button", { class: "primary critical" }, "Record the decision")),
    h("p", { class: "caution" }, h("strong", {}, "Caution."), ` ${document.documentElement.dataset.caution ?? ""}`));
  return { element };
}
