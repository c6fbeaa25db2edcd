// What is where, always in view: entries on this tablet only, entries that need somebody, and whether the server answers.
const CLOCK_OFF_S = 60;

export function words(counts, now = Date.now()) {
  const parts = [];
  if (counts.here) parts.push(`${counts.here} ${counts.here === 1 ? "entry" : "entries"} on this tablet only`);
  else if (!counts.attention) parts.push("Everything is on the server");
  if (counts.attention) parts.push(`${counts.attention} ${counts.attention === 1 ? "needs" : "need"} attention`);
  if (counts.colleagues) parts.push(`${counts.colleagues} of them by a colleague who is not logged in`);
  if (counts.needsLogIn) parts.push("log in again to send");
  else if (counts.missing) parts.push("the server does not show you this session");
  else if (!counts.online) parts.push(`no answer from the server${counts.lastSeen ? ` for ${since(now - counts.lastSeen)}` : ""}`);
  if (Math.abs(counts.clockAheadS) >= CLOCK_OFF_S) {
    const ahead = counts.clockAheadS > 0 ? "ahead" : "behind";
    parts.push(`this tablet's clock is ${since(Math.abs(counts.clockAheadS) * 1000)} ${ahead}`);
  }
  return parts.join(" · ");
}

function since(ms) {
  const minutes = Math.round(ms / 60_000);
  if (minutes < 1) return "less than a minute";
  if (minutes < 120) return `${minutes} min`;
  return `${Math.round(minutes / 60)} hours`;
}

function kindOf({ attention, needsLogIn, online, here }) {
  if (attention || needsLogIn) return "ask";
  if (!online) return "off";
  return here ? "busy" : "good";
}

const SHAPES = { good: "●", busy: "◐", off: "○", ask: "▲" };

export function showLine(store, place) {
  const shape = document.createElement("span");
  shape.className = "shape";
  shape.setAttribute("aria-hidden", "true");
  const text = document.createElement("span");
  text.setAttribute("role", "status");
  const send = document.createElement("button");
  send.type = "button";
  send.className = "bedside";
  send.textContent = "Send now";
  send.addEventListener("click", () => store.sendNow());
  const logIn = document.createElement("a");
  logIn.className = "button bedside";
  logIn.target = "_blank";
  // The page that ends the log-in closes itself, for which it must know that it was opened from here.
  logIn.rel = "opener";
  logIn.href = document.documentElement.dataset.logIn;
  logIn.textContent = "Log in";
  place.replaceChildren(shape, text, send, logIn);

  const show = () => {
    const { counts } = store;
    const kind = kindOf(counts);
    place.dataset.line = kind;
    shape.textContent = SHAPES[kind];
    const said = words(counts);
    // A screen reader is told changes only, not every look at the server.
    if (text.textContent !== said) text.textContent = said;
    send.hidden = !counts.here || counts.needsLogIn;
    logIn.hidden = !counts.needsLogIn;
  };
  store.subscribe(show);
  setInterval(show, 15_000);
  show();
}
