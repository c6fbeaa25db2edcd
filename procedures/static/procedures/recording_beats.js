// The beats in view: listed as buttons, and judged by a tap on their mark at the foot of the trace.
const list = /** @type {HTMLElement} */ (document.getElementById("beat-list"));
const FINGER = 48; // px

/**
 * A slow answer to an earlier window is dropped.
 * @param {number[]} window start and end, s
 */
export async function listBeats([start, end]) {
  const asked = `${list.dataset.url}?start=${start.toFixed(3)}&end=${end.toFixed(3)}`;
  list.dataset.asked = asked;
  try {
    const answer = await fetch(asked);
    if (!answer.ok) throw new Error(String(answer.status));
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (list.dataset.asked === asked) list.replaceChildren(...page.body.childNodes);
  } catch {
    if (list.dataset.asked === asked) list.textContent = "The beats could not be listed. Move the window to try again.";
  }
}

/**
 * Returns whether the tap was meant for a beat. Where two beats are in reach of one finger, or a reason is asked for,
 * the nearest beat's button is only brought forward, so that nothing is judged by mistake.
 * @param {MouseEvent} event
 * @param {any} target the figure as its library has drawn it
 */
export function tapBeat(event, target) {
  /** @type {HTMLElement[]} */
  const parts = [...target.querySelectorAll(".draglayer .nsewdrag")];
  const areas = parts.map((one) => one.getBoundingClientRect());
  const foot = Math.max(...areas.map((area) => area.bottom));
  if (!areas.length || event.clientY < foot - FINGER || event.clientY > foot + FINGER / 4) return false;
  const [low, high] = target._fullLayout.xaxis.range;
  const scale = areas[0].width / (high - low);
  const buttons = /** @type {HTMLButtonElement[]} */ ([...list.querySelectorAll("button[data-beat]")]);
  const near = buttons
    .map((button) => ({ button, away: Math.abs(areas[0].left + (Number(button.dataset.beat) - low) * scale - event.clientX) }))
    .filter(({ away }) => away <= FINGER / 2)
    .sort((one, other) => one.away - other.away);
  if (!near.length) return false;
  const { button } = near[0];
  /** @param {string} name */
  const field = (name) => /** @type {HTMLInputElement | null} */ (button.form?.elements.namedItem(name) ?? null);
  const [reason, back] = [field("amendment_reason"), field("back")];
  if (reason && !reason.value.trim()) reason.focus();
  else if (near.length > 1) button.focus();
  else {
    if (back) back.value = "signals";
    button.click();
  }
  return true;
}
