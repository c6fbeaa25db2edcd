// The head of the page: which session, which phase, how long.
import { h, say } from "./dom.js";
import { PHASES, standing, startedAt } from "./phase.js";
import { clockTime, dayWords, span } from "./words.js";

const DAY_MS = 24 * 3600 * 1000;

/**
 * @param {{store: import("./store.js").Store}} page
 * @param {HTMLElement} place
 */
export function showHead(page, place) {
  const back = h("a", { class: "button quiet", "aria-label": "To the session's page" }, "←");
  const title = h("h1", {}, "Bedside log");
  const phase = h("p", { class: "phase" });
  const running = h("span", { class: "running", role: "timer" });
  const since = h("span", { class: "since" });
  const wall = h("span", { class: "wall" });
  const clocks = h("p", { class: "clocks", hidden: true }, running, h("span", { class: "small" }, since, wall));
  back.href = location.pathname.replace(/bedside\/$/, "");
  place.replaceChildren(back, h("div", { class: "which" }, title, phase), clocks);

  const tick = () => {
    const { state } = page.store;
    clocks.hidden = !state?.session;
    if (!state?.session) return;
    const [start, words] = startedAt(state);
    const gone = Date.now() - start;
    say(running, gone < DAY_MS ? span(gone) : clockTime(Date.now()));
    say(since, gone < DAY_MS ? `${words} · ` : "");
    say(wall, gone < DAY_MS ? `now ${clockTime(Date.now(), false)}` : `started ${dayWords(start)}`);
  };
  const show = () => {
    const { state } = page.store;
    tick();
    if (!state?.session) {
      say(title, "Bedside log");
      say(phase, "");
      return;
    }
    say(title, state.session.code);
    const now = standing(state);
    say(phase, now < PHASES.length ? `${PHASES[now]} (${now + 1} of ${PHASES.length})` : "Signed");
  };
  page.store.subscribe(show);
  setInterval(tick, 1000);
  show();
}
