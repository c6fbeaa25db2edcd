// What stands in a locked page's place: the page is hidden, not left, so that what was typed is still there.
/**
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} name
 * @param {Record<string, string>} attributes
 * @param {(Node | string)[]} children
 */
function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

/**
 * `unlock` answers what is wrong, in words; nothing when it opened. `elsewhere` is the address of other ways.
 * @param {{person: string, unlock: (password: string) => Promise<string | void>, elsewhere: string}} given
 * @returns {() => void} gives the page back
 */
export function cover({ person, unlock, elsewhere }) {
  const { body, title } = document;
  document.title = "Locked";
  document.documentElement.dataset.locked = "";
  /** @type {NodeListOf<HTMLDialogElement>} */
  const dialogs = document.querySelectorAll("dialog[open]");
  for (const dialog of dialogs) dialog.close();
  const parts = /** @type {HTMLElement[]} */ ([...body.children]);
  const hidden = parts.filter((one) => !one.hidden && !["SCRIPT", "LINK"].includes(one.tagName));
  for (const one of hidden) one.hidden = true;
  const problem = element("p", { class: "error", role: "alert", id: "lock-problem", hidden: "" });
  const password = element("input", {
    type: "password", id: "lock-password", autocomplete: "current-password", "aria-describedby": "lock-problem",
  });
  const form = element(
    "form",
    { class: "sheet narrow", novalidate: "", "data-own-submit": "" },
    element("div", { class: "field" }, element("label", { for: "lock-password" }, "Your password"), problem, password),
    element("p", { class: "actions" },
      element("button", { class: "primary bedside" }, "Unlock"),
      element("a", { class: "button bedside", href: elsewhere }, "Use a passkey or another account"),
    ),
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const given = password.value;
    const words = given ? await unlock(given) : "Enter your password.";
    if (!words) return;
    password.value = "";
    problem.textContent = words;
    problem.hidden = false;
    password.focus();
  });
  const screen = element("main", { class: "lock-screen", "data-lock-screen": "" },
    element("h1", {}, "Locked"),
    element("p", { class: "lead" }, person ? `${person}, enter your password to continue.` : "Enter your password to continue."),
    form);
  body.append(screen);
  password.focus();
  return () => {
    document.title = title;
    delete document.documentElement.dataset.locked;
    for (const one of hidden) one.hidden = false;
    screen.remove();
  };
}
