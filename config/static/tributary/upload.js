// Sends the upload form with a progress display. The file stays chosen when the page has to ask something.
import { sendInParts } from "./resumable.js";

const megabytes = (bytes) => (bytes / 1e6).toFixed(1);
let request = null;
let stopParts = null;

function show(form, words, share) {
  form.querySelector("#sending").hidden = words === null;
  form.querySelector("#sent-words").textContent = words ?? "";
  form.querySelector("#sent").value = Math.round(100 * (share ?? 0));
}

function release(form) {
  delete form.dataset.sent;
  for (const button of form.querySelectorAll("[aria-disabled]")) button.removeAttribute("aria-disabled");
}

function takeAnswer(form, html) {
  const main = new DOMParser().parseFromString(html, "text/html").querySelector("#main");
  const asked = main?.querySelector("form[data-upload]");
  if (!asked) {
    show(form, "The server did not accept the file. Reload the page and try again.", 0);
    release(form);
    return;
  }
  asked.querySelector("input[type=file]").replaceWith(form.querySelector("input[type=file]"));
  document.getElementById("main").replaceChildren(...main.childNodes);
  document.querySelector(".error-summary")?.focus();
  document.title = document.title.startsWith("To correct: ") ? document.title : `To correct: ${document.title}`;
}

// Sends the file first, in parts that survive a lost line, then the form that names it.
async function sendFile(form) {
  const field = form.querySelector("input[type=file]");
  const file = field.files[0];
  const token = form.querySelector("input[name=csrfmiddlewaretoken]").value;
  show(form, "Starting …", 0);
  try {
    form.elements.upload.value ||= await sendInParts(file, form.dataset.upload, token, {
      progress: (sent, all) => show(form, `${megabytes(sent)} of ${megabytes(all)} MB sent`, sent / all),
      stop: (end) => (stopParts = end),
    });
  } catch (error) {
    show(form, error.message, 0);
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

function send(form, data = new FormData(form)) {
  request = new XMLHttpRequest();
  request.upload.addEventListener("progress", (event) => {
    if (!event.lengthComputable) return;
    const done = event.loaded === event.total;
    const words = done
      ? "Sent. The server is checking the file …"
      : `${megabytes(event.loaded)} of ${megabytes(event.total)} MB sent`;
    show(form, words, event.loaded / event.total);
  });
  request.addEventListener("load", () => {
    const taken = request.status === 200 && new URL(request.responseURL).pathname !== location.pathname;
    if (taken) location.assign(request.responseURL);
    else takeAnswer(form, request.responseText);
  });
  for (const [kind, words] of [
    ["error", "The connection was lost. Nothing was stored. Send the file again."],
    ["abort", "Stopped. Nothing was stored."],
  ]) {
    request.addEventListener(kind, () => {
      show(form, words, 0);
      release(form);
    });
  }
  request.open("POST", form.action || location.href);
  request.send(data);
}

document.addEventListener("submit", (event) => {
  const form = event.target.closest("form[data-upload]");
  if (!form || !form.querySelector("input[type=file]").files.length) return;
  event.preventDefault();
  for (const button of form.querySelectorAll("button:not([type='button'])")) button.setAttribute("aria-disabled", "true");
  if (!form.dataset.sent) {
    form.dataset.sent = "yes";
    if (form.dataset.upload && window.tus) sendFile(form);
    else {
      show(form, "Starting …", 0);
      send(form);
    }
  }
});
document.addEventListener("click", (event) => {
  if (event.target.id !== "stop-sending") return;
  if (stopParts) stopParts();
  else request?.abort();
});
// Another file is another upload.
document.addEventListener("change", (event) => {
  const form = event.target.matches("input[type=file]") && event.target.closest("form[data-upload]");
  if (form && form.elements.upload) form.elements.upload.value = "";
});
