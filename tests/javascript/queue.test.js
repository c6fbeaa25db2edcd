import assert from "node:assert/strict";
import { test } from "node:test";
import { DAY_MS, entry, ids, ME, NOW } from "./entries.js";
import { script } from "./static.js";

const { leansOn, sendable } = await script("procedures/bedside/queue.js");
const ready = (entries, most = 50) => ids(sendable(entries, ME, most, NOW).ready);

test("entries go in the order in which they were made, whatever their clocks say", () => {
  const entries = [entry({ since: NOW }), entry({ since: NOW - 5000 }), entry({ since: NOW + DAY_MS })];
  assert.deepEqual(ready(entries), ids(entries));
});

test("no more than asked for at once, and of one session only", () => {
  const [a, b, elsewhere, c] = [entry(), entry(), entry({ session: "other" }), entry()];
  assert.deepEqual(ready([a, b, elsewhere, c], 2), ids([a, b]));
  assert.deepEqual(ready([a, b, elsewhere, c]), ids([a, b, c]));
  assert.deepEqual(ready([elsewhere, a]), ids([elsewhere]));
});

test("what stands on an entry that needs somebody waits with it, the rest goes on", () => {
  const site = entry({ state: "attention" });
  const edit = entry({ key: site.key, based_on: site.id });
  const measured = entry({ payload: { site: site.key } });
  const ofThat = entry({ payload: { measurement: measured.key } });
  const free = entry();
  assert.deepEqual(ready([site, edit, measured, ofThat, free]), ids([free]));
});

test("what was entered before is not held up by what came after it", () => {
  const site = entry();
  const measured = entry({ payload: { site: site.key } });
  const edit = entry({ key: site.key, based_on: site.id, state: "attention" });
  const again = entry({ payload: { site: site.key } });
  assert.deepEqual(ready([site, measured, edit, again]), ids([site, measured]));
});

test("two that need nothing but an empty field do not stand on one another", () => {
  const stuck = entry({ state: "attention", payload: { text: null } });
  const free = entry({ payload: { text: null } });
  assert.deepEqual(ready([stuck, free]), ids([free]));
});

test("after a week by this tablet's clock an entry is asked about, with what stands on it", () => {
  const old = entry({ since: NOW - 7 * DAY_MS - 1 });
  const standing = entry({ payload: { site: old.key } });
  const notYet = entry({ since: NOW - 7 * DAY_MS });
  const found = sendable([old, standing, notYet], ME, 50, NOW);
  assert.deepEqual([ids(found.ready), ids(found.old)], [ids([notYet]), ids([old])]);
});

test("an old entry that is asked about already is not asked about again", () => {
  assert.deepEqual(sendable([entry({ since: 0, state: "attention" })], ME, 50, NOW).old, []);
});

test("a clock that was set back makes nothing old", () => {
  const ahead = entry({ since: NOW + 365 * DAY_MS });
  assert.deepEqual(sendable([ahead], ME, 50, NOW), { ready: [ahead], old: [] });
});

test("a colleague's new record holds up what stands on it, their edit of a known one does not", () => {
  const theirNew = entry({ author: "other" });
  const onNew = entry({ payload: { site: theirNew.key } });
  const theirEdit = entry({ author: "other", version: 3 });
  const onKnown = entry({ payload: { site: theirEdit.key } });
  const onEdit = entry({ key: theirEdit.key, based_on: theirEdit.id });
  assert.deepEqual(ready([theirNew, onNew, theirEdit, onKnown, onEdit]), ids([onKnown]));
});

test("a colleague's entries are never sent, and never asked about", () => {
  const found = sendable([entry({ author: "other", since: 0 }), entry({ author: null })], ME, 50, NOW);
  assert.deepEqual(found, { ready: [], old: [] });
});

test("an entry stands on its record, the entry it edits and the records it names", () => {
  assert.deepEqual(leansOn({ key: "a", based_on: "b", payload: { site: "c", text: "d" } }), ["a", "b", "c", "d"]);
});
