import assert from "node:assert/strict";
import { test } from "node:test";
import { script } from "./static.js";

const { ambiguous, bounded, numberFrom } = await script("tributary/numbers.js");

for (const [text, number] of [
  ["12", 12], ["12.5", 12.5], ["12,5", 12.5], [" 1 200 ", 1200], ["1\u202f200,5", 1200.5], ["−1.5", -1.5], ["+2", 2],
  [".5", 0.5], ["5.", 5], ["0,123", 0.123], ["1234,567", 1234.567],
]) {
  test(`'${text}' is ${number}`, () => assert.equal(numberFrom(text), number));
}

for (const text of [
  "", " ", "12abc", "abc", "1e3", "1E3", "0x10", "0b1", "Infinity", "NaN", "1.2.3", "--1", "−−1", "1,200.5", "1.200,5", "½",
  "9".repeat(21), "9".repeat(400), null, undefined, {}, [], true,
]) {
  test(`${JSON.stringify(text)?.slice(0, 30)} is no number`, () => assert.ok(Number.isNaN(numberFrom(text))));
}

test("a comma before three digits is asked about", () => {
  assert.ok(Number.isNaN(numberFrom("1,200")));
  assert.equal(ambiguous("1,200"), "1,200 could mean 1200 or 1.2. Enter it without a comma.");
  assert.equal(ambiguous("0,200"), "");
  assert.equal(ambiguous("1,2000"), "");
});

test("a number out of storage keeps its bounds", () => {
  assert.equal(bounded("900", [1, 86400], 60), 900);
  assert.equal(bounded(1, [1, 86400], 60), 1);
  for (const wrong of ["", null, undefined, "abc", "12abc", "1e3", "0", "-5", "86401", NaN, Infinity, "Infinity", {}]) {
    assert.equal(bounded(wrong, [1, 86400], 60), 60, String(wrong));
  }
});
