// Times of day as people type them. Pure functions.
/**
 * The time of day that a text says, on the day on which it is closest to a moment; null where it says none.
 * @param {string} text
 * @param {number} near in ms
 * @returns {Date | null}
 */
export function timeNear(text, near) {
  const digits = /^\s*(\d{1,2})[:.]?(\d{2})(?:[:.]?(\d{2}))?\s*$/.exec(text);
  if (!digits) return null;
  const [hours, minutes, seconds] = [digits[1], digits[2], digits[3] ?? "0"].map(Number);
  if (hours > 23 || minutes > 59 || seconds > 59) return null;
  const day = new Date(near);
  const moments = [-1, 0, 1].map((offset) =>
    new Date(day.getFullYear(), day.getMonth(), day.getDate() + offset, hours, minutes, seconds));
  return moments.reduce((best, one) => (Math.abs(one.getTime() - near) < Math.abs(best.getTime() - near) ? one : best));
}
