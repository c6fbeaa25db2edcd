// Sends the upload form with a progress display. The file stays chosen when the page has to ask something.
import { sendInParts } from "./resumable.js";

/** @param {number} bytes */
const megabytes = (bytes) => (bytes / 1e6).toFixed(1);
/** @type {XMLHttpRequest | null} */
let request = null;
/** @type {(() => void) | null} */
let stopParts = null;

/**
 * @template {Element} T
 * @param {ParentNode} root
 * @param {string} selector of an element that every upload form has
 * @param {new () => T} kind
 */
function part(root, selector, kind) {
  const found = root.querySelector(selector);
  if (!(found instanceof kind)) throw new Error(`The upload form lacks ${selector}.`);
  return found;
}

/** @param {HTMLFormElement} form */
const fileField = (form) => part(form, "input[type=file]", HTMLInputElement);

/**
 * @param {HTMLFormElement} form
 * @param {string} words
 * @param {number} share
 */
function show(form, words, share) {
  part(form, "#sending", HTMLElement).hidden = false;
  part(form, "#sent-words", HTMLElement).textContent = words;
  part(form, "#sent", HTMLProgressElement).value = Math.round(100 * share);
}

/** @param {HTMLFormElement} form */
function release(form) {
  delete form.dataset.sent;
  for (const button of form.querySelectorAll("[aria-disabled]")) button.removeAttribute("aria-disabled");
}

/**
 * @param {HTMLFormElement} form
 * @param {string} html
 */
function takeAnswer(form, html) {
  const main = new DOMParser().parseFromString(html, "text/html").querySelector("#main");
  /** @type {HTMLFormElement | null | undefined} */
  const asked = main?.querySelector("form[data-upload]");
  if (!main || !asked) {
    show(form, "The server did not accept the file. Reload the page and try again.", 0);
    release(form);
    return;
  }
  fileField(asked).replaceWith(fileField(form));
  document.getElementById("main")?.replaceChildren(...main.childNodes);
  /** @type {HTMLElement | null} */
  const summary = document.querySelector(".error-summary");
  summary?.focus();
  document.title = document.title.startsWith("To correct: ") ? document.title : `To correct: ${document.title}`;
}

/** @param {HTMLFormElement} form */
const uploadField = (form) => /** @type {HTMLInputElement | null} */ (form.elements.namedItem("upload"));

/**
 * Sends the file first, in pieces that survive a lost line, then the form that names it.
 * @param {HTMLFormElement} form
 * @param {string} endpoint
 */
async function sendFile(form, endpoint) {
  const [file] = fileField(form).files ?? [];
  const token = part(form, "input[name=csrfmiddlewaretoken]", HTMLInputElement).value;
  const field = /** @type {HTMLInputElement} */ (uploadField(form));
  show(form, "Starting …", 0);
  try {
    field.value ||= await sendInParts(file, endpoint, token, {
      progress: (sent, all) => show(form, `${megabytes(sent)} of ${megabytes(all)} MB sent`, sent / all),
      stop: (end) => (stopParts = end),
    });
  } catch (error) {
    show(form, /** @type {Error} */ (error).message, 0);
    release(form);
    return;
  } finally {
    stopParts = null;
  }
  const data = new FormData(form);
  data.delete("file");
  show(form, "Sent. The server is checking the file …", 1);
  send(form, data);
}

/**
 * @param {HTMLFormElement} form
 * @param {FormData} data
 */
function send(form, data = new FormData(form)) {
  const sent = new XMLHttpRequest();
  request = sent;
  sent.upload.addEventListener("progress", (event) => {
    if (!event.lengthComputable) return;
    const done = event.loaded === event.total;
    const words = done
      ? "Sent. The server is checking the file …"
      : `${megabytes(event.loaded)} of ${megabytes(event.total)} MB sent`;
    show(form, words, event.loaded / event.total);
  });
  sent.addEventListener("load", () => {
    const taken = sent.status === 200 && new URL(sent.responseURL).pathname !== location.pathname;
    if (taken) location.assign(sent.responseURL);
    else takeAnswer(form, sent.responseText);
  });
  for (const [kind, words] of [
    ["error", "The connection was lost. Nothing was stored. Send the file again."],
    ["abort", "Stopped. Nothing was stored."],
  ]) {
    sent.addEventListener(kind, () => {
      show(form, words, 0);
      release(form);
    });
  }
  sent.open("POST", form.action || location.href);
  sent.send(data);
}

document.addEventListener("submit", (event) => {
  /** @type {HTMLFormElement | null} */
  const form = /** @type {Element} */ (event.target).closest("form[data-upload]");
  if (!form || !fileField(form).files?.length) return;
  event.preventDefault();
  for (const button of form.querySelectorAll("button:not([type='button'])")) button.setAttribute("aria-disabled", "true");
  if (!form.dataset.sent) {
    form.dataset.sent = "yes";
    if (form.dataset.upload && window.tus) sendFile(form, form.dataset.upload);
    else {
      show(form, "Starting …", 0);
      send(form);
    }
  }
});
document.addEventListener("click", (event) => {
  if (/** @type {Element} */ (event.target).id !== "stop-sending") return;
  if (stopParts) stopParts();
  else request?.abort();
});
// Another file is another upload.
document.addEventListener("change", (event) => {
  const target = /** @type {Element} */ (event.target);
  /** @type {HTMLFormElement | null} */
  const form = target.matches("input[type=file]") ? target.closest("form[data-upload]") : null;
  const field = form && uploadField(form);
  if (field) field.value = "";
});
