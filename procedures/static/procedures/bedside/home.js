// The log itself: what is next, what was entered last, and one tap for each event.
import { button, h, keyed, say } from "./dom.js";
import { details } from "./details.js";
import { moments } from "./moments.js";
import { logged, next } from "./phase.js";
import { clockTime, enteredAt, labelOf, SYNC } from "./words.js";

const UNDO_MS = 60_000;
const AT_FIRST = 12;
const EVENTS = [
  ...["access", "cs_cannulated", "venogram", "site_reached", "recording", "test_stimulation", "decision"],
  ...["access_closed", "contrast", "fluoroscopy", "drug", "adverse_event"],
];
const PLACES = [
  ["site", "New site"],
  ["test", "Threshold test"],
  ["difficulty", "Difficulty"],
  ["scan", "Scan a device or lead"],
  ["check", "Check and sign"],
];

/** @typedef {ReturnType<typeof moments>[number]} Row */

/**
 * @param {BedsidePage} page
 * @returns {Place}
 */
export function home(page) {
  const { vocabulary } = page.state;
  let many = AT_FIRST;
  const nextBox = h("section", { class: "next", "aria-labelledby": "next-title" });
  const list = h("ol", { class: "moments" });
  const more = button("Show all", () => {
    many = Infinity;
    update();
  }, { class: "bedside" });
  const empty = h("p", { class: "hint" }, "No entries yet. Tap an event when it happens.");
  const detailBox = h("section", { class: "detail", hidden: true, "aria-live": "polite" });
  const events = h("div", { class: "events" });
  const buttons = EVENTS.map((kind) => {
    const when = h("span", { class: "when" });
    const one = button("", () => log(kind), { class: `event ${kind}`, "data-kind": kind });
    one.append(h("span", { class: "what" }, labelOf(vocabulary.entry_kinds, kind)), when);
    events.append(one);
    return { kind, when };
  });
  const places = h("nav", { class: "places", "aria-label": "Enter more" });
  for (const [place, text] of PLACES) {
    places.append(h("a", { class: "button bedside", href: `#${place}` }, text));
  }
  const last = h("section", { class: "last", "aria-labelledby": "last-title" });
  last.append(h("h2", { id: "last-title", tabindex: "-1" }, "Last entries"), empty, list, more);
  const pad = h("section", { class: "hands", "aria-labelledby": "events-title" });
  pad.append(h("h2", { id: "events-title", class: "unseen" }, "Log an event"), events, places);
  const element = h("div", { class: "home" }, h("div", { class: "eyes" }, nextBox, detailBox, last), pad);

  /** @param {string} kind */
  async function log(kind) {
    const item = await page.put("log_entry", { kind, occurred_at: new Date().toISOString(), text: "" });
    page.tell(`${labelOf(vocabulary.entry_kinds, kind)} logged ${clockTime(item.occurred_at)}`);
    ask(kind, item.key);
  }

  /**
   * @param {string} kind
   * @param {Key} key
   */
  function ask(kind, key) {
    const asked = details(page, kind, key, close);
    detailBox.hidden = !asked;
    element.toggleAttribute("data-asking", Boolean(asked));
    detailBox.replaceChildren(...(asked ? [asked] : []));
  }

  function close() {
    detailBox.hidden = true;
    element.removeAttribute("data-asking");
    detailBox.replaceChildren();
  }

  function showNext() {
    const offered = next(page.state);
    nextBox.hidden = !offered || page.state.session.status === "signed";
    if (!offered || nextBox.hidden) return;
    const { text, why, go } = offered;
    if (nextBox.dataset.text !== text) {
      const act = () => (go ? page.go(go) : log(/** @type {string} */ (offered.log)));
      nextBox.dataset.text = text;
      nextBox.replaceChildren(
        h("h2", { id: "next-title" }, "Next"),
        button(text, act, { class: "primary critical" }),
        h("p", { class: "hint" }, why),
      );
    } else {
      say(/** @type {Element} */ (nextBox.querySelector(".hint")), why);
    }
  }

  function update() {
    const { state } = page;
    showNext();
    for (const { kind, when } of buttons) {
      const all = logged(state, kind);
      const latest = all.at(-1);
      say(when, latest ? `${clockTime(latest.occurred_at)}${all.length > 1 ? ` · ${all.length} times` : ""}` : "");
    }
    const rows = moments(state);
    empty.hidden = rows.length > 0;
    more.hidden = rows.length <= many;
    say(more, `Show all ${rows.length}`);
    keyed(list, rows.slice(0, many), (row) => makeRow(page, row), (box, row) => showRow(page, box, row));
  }

  // Undo goes away by itself when its minute is over.
  const minute = setInterval(() => {
    for (const row of list.children) showUndo(row);
  }, 1000);
  update();
  return { element, update, leave: () => clearInterval(minute), focus: () => last.querySelector("h2") };
}

/**
 * @param {BedsidePage} page
 * @param {Row} row
 */
function makeRow(page, row) {
  const undo = button("Undo", () => takeBack(page, row), { class: "bedside undo", "aria-label": `Undo ${row.title}` });
  const opens = row.kind === "log_entry";
  const open = opens ? h("a", { class: "moment", href: `#entry/${row.key}` }) : h("div", { class: "moment" });
  open.append(h("time"), h("span", { class: "title" }), h("span", { class: "words" }), h("span", { class: "sync" }));
  return h("li", {}, open, undo);
}

/**
 * @param {BedsidePage} page
 * @param {HTMLElement} element
 * @param {Row} row
 */
function showRow(page, element, row) {
  const [open, undo] = /** @type {HTMLElement[]} */ ([...element.children]);
  const [time, title, words, sync] = /** @type {HTMLElement[]} */ ([...open.children]);
  const corrected = row.record.first_logged_at ? ` · first logged ${clockTime(row.record.first_logged_at)}` : "";
  say(time, clockTime(row.at));
  say(title, row.title);
  say(words, row.words + corrected);
  const [shape, text] = SYNC[row.sync ?? "server"];
  if (sync.dataset.sync !== row.sync) {
    sync.dataset.sync = row.sync;
    sync.replaceChildren(h("span", { "aria-hidden": "true" }, shape), h("span", { class: "said" }, text));
  }
  undo.dataset.until = String(enteredAt(row.key) + UNDO_MS);
  showUndo(element);
}

/** @param {Element} element */
function showUndo(element) {
  const undo = /** @type {HTMLElement} */ (element.querySelector(".undo"));
  const left = Math.ceil((Number(undo.dataset.until) - Date.now()) / 1000);
  const hidden = left <= 0 || left > UNDO_MS / 1000 + 5;
  if (undo.hidden !== hidden) undo.hidden = hidden;
}

/**
 * @param {BedsidePage} page
 * @param {Row} row
 */
async function takeBack(page, row) {
  await page.store.remove(row.kind, row.key);
  page.tell(`Taken back: ${row.title}`);
  document.getElementById("last-title")?.focus();
}
