// The page's side of the idle lock: when nobody touches it, nothing of it stays readable until its person comes back.
// The server refuses a locked session by itself; this only covers what is on the screen. A page that the server itself
// has just served was open a moment ago. Any other, such as the bedside page, counts on from the last touch heard of and
// by the minutes last heard of, stays locked where it was locked, and asks the server at the first touch after a minute.
import { csrfToken } from "../tributary/current_token.js";
import { bounded } from "../tributary/numbers.js";
import { cover } from "./lock_screen.js";

const LAST_TOUCH = "tributary-touched";
const LOCKED_AT = "tributary-locked";
const MINUTES = "tributary-idle-s";
const PING_MS = 60_000;
const { dataset } = document.body;
const address = dataset.lock ?? "/lock/";

// What is kept may be damaged: a number that is none must not keep the page open for ever.
const IDLE_S = /** @type {[number, number]} */ ([1, 24 * 3600]);
let idleMs = 1000 * bounded(dataset.idleS ?? remembered(MINUTES), IDLE_S, 900);
let { person = "", me = "" } = dataset;
let touched = 0;
let pinged = Date.now();
let lockedAt = 0;
/** @type {(() => void) | null} */
let uncover = null;

/** @typedef {{locked?: boolean, message?: string, me?: string, person?: string, idle_s?: unknown, opened_s?: number | null}} Said */

/** @param {string} name */
function remembered(name) {
  try {
    return localStorage.getItem(name);
  } catch {
    return null; // Storage may be forbidden: this tab then counts for itself.
  }
}

/**
 * @param {string} name
 * @param {string | number | null} value
 */
function remember(name, value) {
  try {
    if (value === null) localStorage.removeItem(name);
    else localStorage.setItem(name, String(value));
  } catch {
    // As above.
  }
}

/**
 * @param {string} path
 * @param {Record<string, string>} fields
 * @returns {Promise<{status: number, said: Said}>}
 */
async function post(path, fields = {}) {
  const response = await fetch(path, {
    method: "POST",
    body: new URLSearchParams(fields),
    headers: { Accept: "application/json", "X-CSRFToken": csrfToken() },
    credentials: "same-origin",
    redirect: "manual",
  });
  return { status: response.status, said: await response.json().catch(() => ({})) };
}

// Other tabs of the same person count too. A touch in the future says nothing: the clock was set back.
function lastTouch() {
  const now = Date.now();
  if (touched > now) touched = now;
  return Math.max(touched, bounded(remembered(LAST_TOUCH), [0, now], 0));
}

// The lock's own page, which comes back here.
const elsewhere = () => `${address}?next=${encodeURIComponent(location.pathname + location.search)}`;
const due = () => Date.now() - lastTouch() > idleMs;

function touchedNow() {
  touched = Date.now();
  remember(LAST_TOUCH, touched);
}

async function ping() {
  pinged = Date.now();
  try {
    const { status, said } = await post(`${address}active/`);
    if (status === 423 || said.locked) return lock();
    const idleS = bounded(said.idle_s, IDLE_S, null);
    if (idleS !== null) {
      idleMs = 1000 * idleS;
      remember(MINUTES, idleS);
    }
    ({ person = person, me = me } = said);
  } catch {
    // No line: the page still locks by the minutes it knows.
  }
}

function touch() {
  if (uncover) return;
  if (due()) return void lock({ tell: true });
  if (Date.now() - touched > 1000) touchedNow();
  if (Date.now() - pinged > PING_MS) ping();
}

function lock({ tell = false, at = Date.now() } = {}) {
  if (uncover) return;
  lockedAt = bounded(remembered(LOCKED_AT), [0, Date.now()], at);
  remember(LOCKED_AT, lockedAt);
  uncover = cover({ person, unlock, elsewhere: elsewhere() });
  if (tell) post(address).catch(() => {});
}

/**
 * @param {string} password
 * @returns {Promise<string | void>}
 */
async function unlock(password) {
  try {
    const { said } = await post(address, { password });
    if (said.locked === false) return opened(said);
    // Not locked but ended, or another's: the log-in and the lock's own page know what to do.
    if (said.locked === undefined) return location.assign(elsewhere());
    return said.message || "That did not unlock the page. Try again.";
  } catch {
    return "There is no connection to the server, which is needed to unlock. Your entries are kept.";
  }
}

/** @param {Said} said */
function opened(said) {
  remember(LOCKED_AT, null);
  touchedNow();
  // The page of one person is not given to another who has logged in meanwhile.
  if (me && said.me !== me) return location.reload();
  uncover?.();
  uncover = null;
  document.dispatchEvent(new CustomEvent("unlocked"));
}

// A user who has unlocked the session in another tab or on the log-in page need not do so twice.
async function openedElsewhere() {
  try {
    const { said } = await post(`${address}active/`);
    if (said.locked !== false || !uncover) return;
    if (typeof said.opened_s === "number" && 1000 * said.opened_s < Date.now() - lockedAt) opened(said);
    else await post(address);
  } catch {
    // No line: it stays locked.
  }
}

for (const kind of ["pointerdown", "keydown", "wheel", "touchstart"]) {
  addEventListener(kind, touch, { passive: true, capture: true });
}
addEventListener("pageshow", (event) => {
  // A page taken out of the browser's memory may be a locked person's.
  if (event.persisted) ping();
});
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && !uncover && due()) lock({ tell: true });
});
// Sent by a request that was refused because the session is locked.
document.addEventListener("locked", () => lock());
document.addEventListener(
  "submit",
  (event) => {
    const target = /** @type {HTMLFormElement} */ (event.target);
    // Locked by hand: a page that opens without a line must know. After a log-out there is nobody to lock out.
    if (target.getAttribute("action") === address) remember(LOCKED_AT, Date.now());
    if ("logOut" in target.dataset) for (const name of [LAST_TOUCH, LOCKED_AT]) remember(name, null);
  },
  { capture: true },
);
addEventListener("storage", ({ key, newValue }) => {
  if (key !== LOCKED_AT) return;
  if (newValue) lock();
  else if (uncover) openedElsewhere();
});
setInterval(() => {
  if (!uncover && due()) lock({ tell: true });
}, 1000);

if (dataset.idleS) {
  remember(MINUTES, dataset.idleS);
  remember(LOCKED_AT, null);
  touchedNow();
} else {
  touched = bounded(remembered(LAST_TOUCH) ?? Date.now(), [0, Number.MAX_SAFE_INTEGER], 0);
  if (remembered(LOCKED_AT) || due()) {
    lock({ at: lastTouch() + idleMs });
    openedElsewhere();
  }
}
