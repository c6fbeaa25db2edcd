// What is recorded and what is missing, with the way to each; then the signature, which needs the server.
import { h, say } from "./dom.js";

/** @param {BedsidePage} page */
export function check(page) {
  const list = h("ul", { class: "answers-list" });
  const still = h("p", { class: "still", role: "status" });
  const sign = h("a", { class: "button primary critical", href: location.pathname.replace(/bedside\/$/, "sign/") }, "Sign …");
  const element = h("div", { class: "check-view" },
    h("h2", { tabindex: "-1" }, "Check before signing"), still, list,
    h("p", { class: "actions end" }, h("a", { class: "button bedside", href: "#" }, "Back to the log"), sign));
  let before = "";

  /** @param {Answered} answer */
  function row(answer) {
    const mark = answer.blocks ? "needed" : answer.missing ? "missing" : "there";
    const [words, style] = { needed: ["required", "alert"], missing: ["missing", "dashed"], there: ["recorded", ""] }[mark];
    const href = answer.place ? `#${answer.place}` : answer.url;
    return h("li", { class: mark },
      h("a", { href }, h("b", {}, answer.question), h("span", {}, answer.said),
        h("span", { class: `mark ${style}` }, words)));
  }

  function update() {
    const { state } = page;
    const now = JSON.stringify(state.completeness);
    if (now !== before) list.replaceChildren(...state.completeness.map(row));
    before = now;
    const { here, attention, online } = page.store.counts;
    const waits = here + attention;
    const needed = state.completeness.filter((/** @type {Answered} */ one) => one.blocks).length;
    let text = "";
    if (state.session.status === "signed") text = "This session is signed. To change it, record an amendment with a reason on the session page.";
    else if (!state.rights.sign) text = "Only a physician can sign. Everything else can be completed here.";
    else if (waits) text = `${waits} ${waits === 1 ? "entry is" : "entries are"} not on the server yet, so the list may still change.`;
    else if (!online) text = "The server is not responding. The list shows the last known state.";
    else if (needed) text = "Complete the items marked as required first.";
    say(still, text);
    sign.hidden = state.session.status === "signed" || !state.rights.sign || waits > 0 || !online || needed > 0;
  }

  update();
  return { element, update };
}
