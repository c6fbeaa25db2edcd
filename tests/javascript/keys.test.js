import assert from "node:assert/strict";
import { createHash } from "node:crypto";
import { test } from "node:test";
import { script } from "./static.js";

const { uuid7 } = await script("procedures/bedside/uuid7.js");
const { tributaryKey } = await script("procedures/bedside/veinkey.js");
const { enteredAt } = await script("procedures/bedside/words.js");
const SHAPE = /^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/;
const SESSION = "01890a5d-ac96-774b-bcce-b302099a8057";
const START = "2031-03-04T10:00:00Z";

test("a key carries its moment as RFC 9562 says", () => {
  // The worked example of its appendix A.6: Tuesday, February 22, 2022 2:22:22.00 PM GMT-05:00.
  const key = uuid7(1645557742000);
  assert.match(key, SHAPE);
  assert.equal(key.slice(0, 13), "017f22e2-79b0");
  assert.equal(enteredAt(key), 1645557742000);
});

test("keys of one moment differ", () => {
  assert.equal(new Set(Array.from({ length: 1000 }, () => uuid7(0))).size, 1000);
});

test("a vein has one key on every tablet, in whatever zone the start is written", async () => {
  const key = await tributaryKey(SESSION, START, "lateral");
  assert.match(key, SHAPE);
  assert.equal(await tributaryKey(SESSION, "2031-03-04T11:00:00.000+01:00", "lateral", 1), key);
  assert.equal(enteredAt(key), Date.parse(START));
});

test("a vein's key ends in the digest of session, vein and number", async () => {
  const digest = createHash("sha256").update(`${SESSION}/lateral/2`).digest("hex");
  const key = (await tributaryKey(SESSION, START, "lateral", 2)).replaceAll("-", "");
  assert.equal(key.slice(13, 16) + key.slice(17), digest.slice(13, 16) + digest.slice(17, 32));
});

test("another vein, number or session has another key", async () => {
  const keys = await Promise.all([
    tributaryKey(SESSION, START, "lateral"), tributaryKey(SESSION, START, "lateral", 2),
    tributaryKey(SESSION, START, "posterior"), tributaryKey(SESSION.replace("0", "1"), START, "lateral"),
  ]);
  assert.equal(new Set(keys).size, 4);
});

test("without a start there is no key: tablets would disagree later", async () => {
  for (const start of ["", "soon", null, undefined]) {
    await assert.rejects(tributaryKey(SESSION, start, "lateral"), RangeError);
  }
});
