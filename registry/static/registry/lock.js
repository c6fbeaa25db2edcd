// The page's side of the idle lock: when nobody touches it, nothing of it stays readable until its person comes back.
// The server refuses a locked session by itself; this only covers what is on the screen. The page is hidden, not left,
// so that what was typed and what waits to be sent are still there. A page without `data-idle-s`
// counts by the minutes last heard of, and asks the server at the first touch after a minute.
const LAST_TOUCH = "tributary-touched";
const MINUTES = "tributary-idle-s";
const PING_MS = 60_000;
const body = document.body;
const address = body.dataset.lock ?? "/lock/";

let idleMs = 1000 * Number(body.dataset.idleS ?? remembered(MINUTES) ?? 900);
let person = body.dataset.person ?? "";
let touched = Date.now();
let pinged = Date.now();
let screen = null;
let hidden = [];
let title = "";

function remembered(name) {
  try {
    return localStorage.getItem(name);
  } catch {
    return null; // Storage may be forbidden: this tab then counts for itself.
  }
}

function remember(name, value) {
  try {
    localStorage.setItem(name, value);
  } catch {
    // As above.
  }
}

function token() {
  const field = document.querySelector("input[name=csrfmiddlewaretoken]");
  return field?.value ?? document.cookie.match(/csrftoken=([^;]+)/)?.[1] ?? "";
}

async function post(path, fields = {}) {
  const response = await fetch(path, {
    method: "POST",
    body: new URLSearchParams(fields),
    headers: { Accept: "application/json", "X-CSRFToken": token() },
    credentials: "same-origin",
    redirect: "error",
  });
  return { status: response.status, said: await response.json().catch(() => ({})) };
}

// Other tabs of the same person count too.
const lastTouch = () => Math.max(touched, Number(remembered(LAST_TOUCH) ?? 0));

async function ping() {
  pinged = Date.now();
  try {
    const { status, said } = await post(`${address}active/`);
    if (status === 423 || said.locked) return lock(false);
    if (said.idle_s) {
      idleMs = 1000 * said.idle_s;
      remember(MINUTES, said.idle_s);
    }
    person = said.person ?? person;
  } catch {
    // No line: the page still locks by the minutes it knows.
  }
}

function touch() {
  if (screen) return;
  const now = Date.now();
  if (now - lastTouch() > idleMs) return void lock(true);
  if (now - touched > 1000) remember(LAST_TOUCH, now);
  touched = now;
  if (now - pinged > PING_MS) ping();
}

function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

function lock(tell) {
  if (screen) return;
  title = document.title;
  document.title = "Locked";
  for (const dialog of document.querySelectorAll("dialog[open]")) dialog.close();
  hidden = [...body.children].filter((one) => !one.hidden && !["SCRIPT", "LINK"].includes(one.tagName));
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
      element("a", { class: "button bedside", href: `${address}?next=${encodeURIComponent(location.pathname + location.search)}` }, "Another way or person"),
    ),
  );
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    open(password, problem);
  });
  const words = person ? `${person}, go on where you were.` : "Go on where you were.";
  screen = element("main", { class: "lock-screen", "data-lock-screen": "" },
    element("h1", {}, "Locked"), element("p", { class: "lead" }, words), form);
  body.append(screen);
  password.focus();
  if (tell) post(address).catch(() => {});
}

async function open(password, problem) {
  const say = (words) => {
    problem.textContent = words;
    problem.hidden = false;
    password.focus();
  };
  if (!password.value) return say("Your password: enter it.");
  try {
    const { status, said } = await post(address, { password: password.value });
    password.value = "";
    if (said.locked === false) return unlocked();
    if (status === 403 || said.locked === undefined) return location.reload();
    say(said.message || "This did not open it. Try again.");
  } catch {
    say("There is no line to the server, and unlocking needs it. What you entered is kept.");
  }
}

function unlocked() {
  document.title = title;
  for (const one of hidden) one.hidden = false;
  screen.remove();
  screen = null;
  touched = Date.now();
  remember(LAST_TOUCH, touched);
  document.dispatchEvent(new CustomEvent("unlocked"));
}

for (const kind of ["pointerdown", "keydown", "wheel", "touchstart"]) {
  addEventListener(kind, touch, { passive: true, capture: true });
}
addEventListener("pageshow", (event) => {
  // A page taken out of the browser's memory may be a locked person's.
  if (event.persisted) ping();
});
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && !screen && Date.now() - lastTouch() > idleMs) lock(true);
});
setInterval(() => {
  if (!screen && Date.now() - lastTouch() > idleMs) lock(true);
}, 1000);
remember(LAST_TOUCH, touched);
