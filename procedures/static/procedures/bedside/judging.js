// Whether a number can be right: a hard limit refuses, a common one asks. Pure functions.
import { plain } from "./words.js";

/**
 * The range of a quantity in words.
 * @param {Quantity} one
 */
export function range(one) {
  const unit = one.unit ? ` ${one.unit}` : "";
  const usual = one.usual[0] > one.hard[0] || one.usual[1] < one.hard[1];
  const words = `${plain(one.hard[0])} to ${plain(one.hard[1])}${unit}`;
  return usual ? `${words}; ${plain(one.usual[0])} to ${plain(one.usual[1])} is usual` : words;
}

/**
 * What is wrong with a value, or null; `ask` when it may be right all the same.
 * @param {Quantity} one
 * @param {number} value
 * @returns {{text: string, ask?: true} | null}
 */
export function judged(one, value) {
  const unit = one.unit ? ` ${one.unit}` : "";
  const [low, high] = one.hard;
  if (Number.isNaN(value)) return { text: `${one.label}: enter a number from ${plain(low)} to ${plain(high)}${unit}.` };
  if (value < low || value > high) {
    return { text: `${one.label}: ${plain(value)}${unit} is not possible. Enter ${plain(low)} to ${plain(high)}${unit}.` };
  }
  if (value < one.usual[0] || value > one.usual[1]) {
    const common = `${plain(one.usual[0])} to ${plain(one.usual[1])}${unit} is usual`;
    return { ask: true, text: `${one.label}: ${plain(value)}${unit} is unusual; ${common}. Is it correct?` };
  }
  return null;
}
