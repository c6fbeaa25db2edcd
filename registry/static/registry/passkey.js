// Joins the buttons of our pages to the log-in library's passkey functions, and says in words what went wrong.
const forms = window.allauth?.webauthn?.forms;
/** @type {HTMLElement | null} */
const problem = document.querySelector("[data-passkey-problem]");

/** @param {string} text */
function say(text) {
  if (!problem) return;
  problem.textContent = text;
  problem.hidden = false;
}

/** @param {Error | undefined} exception */
function words(exception) {
  if (exception?.name === "SecurityError") {
    return "Passkeys need the service's host name: open Tributary by its host name, not by its IP address.";
  }
  if (exception?.name === "NotAllowedError") return "No passkey was used: the request was cancelled or timed out.";
  if (exception?.name === "InvalidStateError") return "This passkey is already registered.";
  return "The passkey could not be used. Try again, or use another way.";
}

document.addEventListener("allauth.error", (event) => {
  event.preventDefault();
  say(words(/** @type {CustomEvent} */ (event).detail.exception));
});

/** @type {Record<string, string>} */
const FUNCTIONS = { add: "addForm", authenticate: "authenticateForm", login: "loginForm" };
/** @type {NodeListOf<HTMLButtonElement>} */
const passkeyButtons = document.querySelectorAll("[data-passkey]");
for (const button of passkeyButtons) {
  if (!forms || !window.PublicKeyCredential) {
    button.disabled = true;
    say("Passkeys cannot be used in this browser here.");
    continue;
  }
  const { passkey = "" } = button.dataset;
  /** @param {string} name */
  const field = (name) => /** @type {HTMLInputElement | null | undefined} */ (button.form?.elements.namedItem(name));
  const ids = {
    [passkey]: button.id,
    credential: field("credential")?.id,
    passwordless: field("passwordless")?.id,
    data: document.getElementById("passkey-data") ? "passkey-data" : undefined,
  };
  forms[FUNCTIONS[passkey]]({ ids });
}
