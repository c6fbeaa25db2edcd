// Logging out clears this tablet. What is not on the server yet is asked about first; it is never dropped unasked.
import { csrfToken } from "../../tributary/current_token.js";
import { CHANNEL, NAME, OPEN, asked, openDatabase, written, writing } from "./database.js";

// Says what there is without making a database where nobody has used the bedside page.
async function unsent() {
  const there = (await indexedDB.databases?.())?.some(({ name }) => name === NAME) ?? true;
  if (!there) return null;
  const db = await openDatabase();
  try {
    return await asked(db.transaction("entries").objectStore("entries").getAll());
  } finally {
    db.close();
  }
}

// A page that hangs does not keep anybody logged in for longer than this.
const WAIT_MS = 5000;

// Tells the open bedside pages and waits until they have stopped: none asks for anything while the session ends.
async function closeOthers() {
  const channel = new BroadcastChannel(CHANNEL);
  channel.postMessage({ type: "left" });
  channel.close();
  await navigator.locks?.request(OPEN, { signal: AbortSignal.timeout(WAIT_MS) }, () => {}).catch(() => {});
}

export async function purge() {
  await closeOthers();
  await asked(indexedDB.deleteDatabase(NAME));
}

// Entries stay, sealed, until their author is back on this tablet; everything else goes.
async function keepEntries() {
  await closeOthers();
  const db = await openDatabase();
  const transaction = writing(db, ["sessions"]);
  transaction.objectStore("sessions").clear();
  await written(transaction);
  db.close();
}

/**
 * @param {Row[]} rows
 * @returns {Promise<string>}
 */
function question(rows) {
  const dialog = document.createElement("dialog");
  dialog.className = "leave";
  const one = rows.length === 1;
  const title = document.createElement("h2");
  title.id = "leave-title";
  title.textContent = `${rows.length} ${one ? "entry is" : "entries are"} on this tablet only`;
  dialog.setAttribute("aria-labelledby", title.id);
  const text = document.createElement("p");
  text.textContent = `${one ? "It has" : "They have"} not reached the server. Kept here, ${one ? "it stays" : "they stay"} encrypted until the person who entered ${one ? "it" : "them"} logs in on this tablet again.`;
  const actions = document.createElement("p");
  actions.className = "actions";
  for (const [value, label, style] of [
    ["stay", "Stay and send", "primary bedside"],
    ["keep", "Log out and keep here", "bedside"],
    ["delete", "Log out and delete", "bedside"],
  ]) {
    const button = Object.assign(document.createElement("button"), { type: "button", value, className: style });
    button.textContent = label;
    button.addEventListener("click", () => dialog.close(value));
    actions.append(button);
  }
  dialog.append(title, text, actions);
  document.body.append(dialog);
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(dialog.returnValue || "cancel");
    });
    dialog.showModal();
  });
}

// Not requestSubmit: the listener below would hear it again.
/** @param {HTMLFormElement} form */
function send(form) {
  /** @type {HTMLInputElement} */ (form.elements.namedItem("csrfmiddlewaretoken")).value = csrfToken();
  form.submit();
}

/** @param {HTMLFormElement} form */
async function leave(form) {
  const rows = globalThis.indexedDB ? await unsent() : null;
  if (rows?.length) {
    const choice = await question(rows);
    if (choice === "stay") location.assign(`/sessions/${rows[0].session}/bedside/`);
    if (choice === "stay" || choice === "cancel") return;
    await (choice === "keep" ? keepEntries() : purge());
  } else if (rows) {
    await purge();
  }
  send(form);
}

document.addEventListener(
  "submit",
  (event) => {
    const form = /** @type {HTMLFormElement} */ (event.target);
    if (!("logOut" in form.dataset)) return;
    event.preventDefault();
    leave(form).catch((error) => {
      console.error(error);
      send(form);
    });
  },
  { capture: true },
);
