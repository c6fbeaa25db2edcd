// Numbers as people type them: with a point or a comma, and by the same rule as the server's forms.
const NUMBER = /^[+-]?(\d+([.,]\d*)?|[.,]\d+)$/;
// A comma before three digits separates thousands for some and decimals for others: a factor of a thousand.
const THOUSANDS = /^[+-]?[1-9]\d{0,2},\d{3}$/;

// The server takes no longer ones; hundreds of digits would be infinite.
const MOST_SIGNS = 20;

/** @param {unknown} text */
const tidy = (text) => String(text ?? "").replace(/[\s\u00a0\u2007\u2009\u202f]+/g, "").replaceAll("−", "-");

/**
 * What is wrong with a text that can be read as two numbers; else nothing.
 * @param {unknown} text
 */
export function ambiguous(text) {
  const typed = tidy(text);
  if (!THOUSANDS.test(typed)) return "";
  const [thousands, decimal] = [typed.replace(",", ""), Number(typed.replace(",", "."))];
  return `${typed} could mean ${thousands} or ${decimal}. Enter it without a comma.`;
}

/**
 * The number a text says; NaN where it says none, or may say two.
 * @param {unknown} text
 */
export function numberFrom(text) {
  const typed = tidy(text);
  return typed.length <= MOST_SIGNS && NUMBER.test(typed) && !THOUSANDS.test(typed) ? Number(typed.replace(",", ".")) : NaN;
}

/**
 * A number out of storage, an attribute or a header: a plain one within its bounds, else what stands in for it.
 * @template T
 * @param {unknown} text
 * @param {[number, number]} bounds lowest and highest, both allowed
 * @param {T} otherwise
 * @returns {number | T}
 */
export function bounded(text, [low, high], otherwise) {
  const number = typeof text === "number" ? text : numberFrom(text);
  return number >= low && number <= high ? number : otherwise;
}
