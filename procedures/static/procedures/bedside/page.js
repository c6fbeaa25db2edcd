// Puts the page together: one place of the page at a time, by the address after the hash.
import { showAttention } from "./attention.js";
import { h } from "./dom.js";
import { home } from "./home.js";
import { showHead } from "./head.js";
import { installWorker } from "./install.js";
import { showLine } from "./line.js";
import { listenForScans, scan } from "./scanner.js";
import { openStore } from "./store.js";
import { stayAwake } from "./wake.js";

// The log comes first; the other places are fetched as soon as it stands, so that a bad line delays no event.
/** @type {Record<string, () => Promise<(page: BedsidePage, ...rest: any[]) => Place>>} */
const PLACES = {
  site: () => import("./sitepad.js").then((module) => module.site),
  measure: () => import("./sitepad.js").then((module) => module.measure),
  test: () => import("./stepdown.js").then((module) => module.stepDown),
  entry: () => import("./correct.js").then((module) => module.correct),
  difficulty: () => import("./difficulty.js").then((module) => module.difficulty),
  scan: () => Promise.resolve(scan),
  decision: () => import("./decision.js").then((module) => module.decision),
  ended: () => import("./ending.js").then((module) => module.ended),
  total: () => import("./ending.js").then((module) => module.total),
  check: () => import("./check.js").then((module) => module.check),
};
const session = /^\/sessions\/([0-9a-f-]{36})\/bedside\/$/.exec(location.pathname)?.[1];
const main = found("main");

/** @param {string} id of an element of the page's frame */
function found(id) {
  return /** @type {HTMLElement} */ (document.getElementById(id));
}

/** @implements {BedsidePage} */
class Page {
  /** @type {Place | null} */
  shown = null;
  /** @type {Promise<void> | null} */
  opening = null;
  /** @type {string | null} */
  person = null;
  moved = false;
  /** @type {number | undefined} */
  silence;

  /** @param {import("./store.js").Store} store */
  constructor(store) {
    this.store = store;
    this.news = found("bedside-news");
  }

  get state() {
    return /** @type {Open} */ (this.store.state);
  }

  // One place up from a form is always the log itself.
  go(place = "") {
    if (location.hash === `#${place}`) this.show();
    else location.hash = place;
  }

  /**
   * Said to a screen reader and shown for a moment; never the only place where something stands.
   * @param {string} text
   */
  tell(text) {
    this.news.textContent = text;
    clearTimeout(this.silence);
    this.silence = setTimeout(() => (this.news.textContent = ""), 6000);
  }

  /**
   * Every entry goes through here: nothing is said to be kept before it is on the disk.
   * @type {BedsidePage["put"]}
   */
  async put(kind, payload, options) {
    try {
      return /** @type {Item} */ (await this.store.put(kind, payload, options));
    } catch (error) {
      this.tell(`Not saved: ${/** @type {Error} */ (error).message}`);
      throw error;
    }
  }

  async show() {
    const { hash } = location;
    const [name, ...rest] = hash.slice(1).split("/").map(decodeURIComponent);
    const known = Object.hasOwn(PLACES, name);
    /** @type {(page: BedsidePage, ...rest: any[]) => Place} */
    let place = home;
    try {
      if (known) place = await PLACES[name]();
    } catch {
      this.tell("This part of the page is not on the tablet yet. It loads when the connection is back.");
      return this.go();
    }
    // Somebody has gone on while it was fetched, or the session is not shown any more.
    if (hash !== location.hash || !this.state) return;
    this.shown?.leave?.();
    this.person = this.store.me;
    this.shown = place(this, ...rest);
    document.body.dataset.place = known ? name : "home";
    main.replaceChildren(this.shown.element);
    scrollTo(0, 0);
    // The focus follows to what is new, for the keyboard and the screen reader; the first page keeps the browser's own.
    if (this.moved) (this.shown.focus?.() ?? /** @type {HTMLElement | null} */ (main.querySelector("h1, h2")))?.focus({ preventScroll: true });
    this.moved = true;
  }

  changed() {
    if (!this.store.state) this.close();
    else if (this.shown && this.person !== this.store.me) this.startAnew();
    else if (this.shown) this.shown.update?.();
    else if (!this.opening) this.opening = this.show().then(fetchTheOthers);
  }

  // What one person was about to enter is not another's.
  startAnew() {
    this.person = this.store.me;
    if (location.hash) this.go();
    else this.show();
  }

  // Nothing of a session stays that the server does not show to the user who is logged in.
  close() {
    this.shown?.leave?.();
    this.shown = this.opening = null;
    const words = waitingFor(this.store);
    if (main.textContent !== words) main.replaceChildren(h("p", { class: "empty", role: "status" }, words));
  }
}

function fetchTheOthers() {
  const idle = globalThis.requestIdleCallback ?? setTimeout;
  idle(() => Object.values(PLACES).forEach((place) => place().catch(() => {})));
}

installWorker();
try {
  const store = await openStore(/** @type {Key} */ (session));
  const page = new Page(store);
  window.bedside = { store };
  showHead(page, found("bedside-head"));
  showLine(store, found("bedside-line"));
  showAttention(store, found("bedside-attention"));
  store.subscribe(() => page.changed());
  addEventListener("hashchange", () => store.state && page.show());
  page.changed();
  listenForScans(page);
  stayAwake();
} catch (error) {
  main.replaceChildren(h("p", { class: "empty", role: "alert" }, /** @type {Error} */ (error).message));
}

/** @param {import("./store.js").Store} store */
function waitingFor(store) {
  if (store.counts.needsLogIn) return "Log in to open this session.";
  if (store.counts.missing) return "You have no access to this session.";
  return "This session has not been opened on this tablet yet. It opens as soon as the server responds.";
}
