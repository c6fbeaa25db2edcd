// Joins the buttons of our pages to the log-in library's passkey functions, and says in words what went wrong.
const forms = window.allauth?.webauthn?.forms;
const problem = document.querySelector("[data-passkey-problem]");

function say(text) {
  if (!problem) return;
  problem.textContent = text;
  problem.hidden = false;
}

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
  say(words(event.detail.exception));
});

for (const button of document.querySelectorAll("[data-passkey]")) {
  if (!forms || !window.PublicKeyCredential) {
    button.disabled = true;
    say("Passkeys cannot be used in this browser here.");
    continue;
  }
  const form = button.form;
  const ids = {
    [button.dataset.passkey]: button.id,
    credential: form.elements.credential.id,
    passwordless: form.elements.passwordless?.id,
    data: document.getElementById("passkey-data") ? "passkey-data" : undefined,
  };
  forms[{ add: "addForm", authenticate: "authenticateForm", login: "loginForm" }[button.dataset.passkey]]({ ids });
}
