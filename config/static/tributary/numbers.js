// Numbers as people type them: with a point or a comma, and by the same rule as the server's forms.
const NUMBER = /^[+-]?(\d+([.,]\d*)?|[.,]\d+)$/;
// A comma before three digits separates thousands for some and decimals for others: a factor of a thousand.
const THOUSANDS = /^[+-]?[1-9]\d{0,2},\d{3}$/;

const tidy = (text) => String(text ?? "").replace(/[\s\u00a0\u2007\u2009\u202f]+/g, "").replace("−", "-");

// What is wrong with a text that can be read as two numbers; else nothing.
export function ambiguous(text) {
  const typed = tidy(text);
  if (!THOUSANDS.test(typed)) return "";
  const [thousands, decimal] = [typed.replace(",", ""), Number(typed.replace(",", "."))];
  return `${typed} could be ${thousands} or ${decimal}; write it without a comma.`;
}

// The number a text says; NaN where it says none, or may say two.
export function numberFrom(text) {
  const typed = tidy(text);
  return NUMBER.test(typed) && !THOUSANDS.test(typed) ? Number(typed.replace(",", ".")) : NaN;
}
