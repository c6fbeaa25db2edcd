import assert from "node:assert/strict";
import { test } from "node:test";
import { entry, ids, ME, NOW } from "./entries.js";
import { script } from "./static.js";

const { same, settled, takenOver, troubled } = await script("procedures/bedside/settling.js");

test("times say the same in any zone, other words only when equal", () => {
  assert.ok(same("2031-03-04T10:00:00Z", "2031-03-04T11:00:00.000+01:00"));
  assert.ok(!same("2031-03-04T10:00:00Z", "2031-03-04T10:00:00+01:00"));
  assert.ok(!same("2031-03-04T10:00:00Z", "Tue, 04 Mar 2031 10:00:00 GMT"), "words, of which one happens to be a date");
  assert.ok(same(null, undefined));
  assert.ok(!same(0, null));
  assert.ok(!same("1", 1));
  assert.ok(same([{ amplitude_v: 1 }], [{ amplitude_v: 1 }]));
});

test("only fields that differ are shown with both values", () => {
  const stored = { key: "key", version: 2, label: "A", depth: null, text: "theirs" };
  const asked = troubled(entry({ payload: { label: "A", text: "mine", unknown: 1 }, problem: { code: "conflict", stored } }));
  assert.deepEqual(asked.differing, [{ name: "text", mine: "mine", theirs: "theirs" }]);
  assert.equal(asked.theirs, stored);
  assert.deepEqual(troubled(entry()).differing, []);
});

test("what was entered here goes again on top of the version that is there", () => {
  const one = entry({ version: 1, state: "attention", problem: { code: "conflict", stored: { key: "k", version: 5 } }, key: "k" });
  const later = entry({ key: "k", based_on: one.id });
  const { gone, changed } = settled(one, [one, later], "mine");
  assert.equal(gone, undefined);
  assert.deepEqual(changed.map(({ version, state, based_on }) => [version, state, based_on]), [
    [5, "waiting", null], [null, "waiting", changed[0].id],
  ]);
  assert.notEqual(changed[0].id, one.id, "a refused entry's id would be taken for a replay");
  assert.equal(changed[0].problem, undefined);
  assert.equal(changed[0].sequence, one.sequence, "it keeps its place");
});

test("keeping what is on the server lets a later edit start where this one did", () => {
  const one = entry({ key: "k", version: 1, state: "attention", problem: { stored: { key: "k", version: 5 } } });
  const later = entry({ key: "k", based_on: one.id });
  const { gone, changed } = settled(one, [one, later], "theirs");
  assert.deepEqual([gone, changed.map(({ id, version, based_on }) => [id, version, based_on])], [
    [one.sequence], [[later.id, 1, null]],
  ]);
});

test("discarding one of a chain joins the ends", () => {
  const [a, b, c] = [entry({ key: "k" }), entry({ key: "k" }), entry({ key: "k" })];
  b.based_on = a.id;
  c.based_on = b.id;
  const { gone, changed } = settled(b, [a, b, c], "discard");
  assert.deepEqual([gone, changed.map(({ id, based_on }) => [id, based_on])], [[b.sequence], [[c.id, a.id]]]);
});

test("the same thing under two keys: what was said of ours is said of theirs", () => {
  const ours = entry({ kind: "site", state: "attention", problem: { code: "same_name", stored: { key: "theirs", version: 1 } } });
  const edit = entry({ key: ours.key, based_on: ours.id });
  const measured = entry({ payload: { site: ours.key, capture_threshold_v: 1 } });
  const free = entry({ payload: { site: "another" } });
  const { gone, changed } = settled(ours, [ours, edit, measured, free], "theirs");
  assert.deepEqual(gone, [ours.sequence]);
  assert.deepEqual(ids(changed), ids([edit, measured]));
  assert.deepEqual([changed[0].key, changed[0].version, changed[0].based_on], ["theirs", null, null]);
  assert.deepEqual(changed[1].payload, { site: "theirs", capture_threshold_v: 1 });
});

test("it is another one: the name is changed, and what follows still follows", () => {
  const ours = entry({ payload: { label: "A" }, state: "attention", problem: { code: "same_name", stored: { key: "theirs" } } });
  const { changed } = settled(ours, [ours], { label: "A (2)" });
  assert.deepEqual([changed[0].payload, changed[0].key], [{ label: "A (2)" }, ours.key]);
});

test("what was removed on the server is entered as new", () => {
  const one = entry({ version: 4, based_on: "before", state: "attention", problem: { code: "removed" } });
  const [renewed] = settled(one, [one], "mine").changed;
  assert.deepEqual([renewed.version, renewed.based_on], [null, null]);
});

test("trying again keeps the id, so that a lost answer is a replay, and counts its age from now", () => {
  const one = entry({ since: 0, state: "attention", problem: { code: "old" } });
  const [renewed] = settled(one, [one], "retry").changed;
  assert.equal(renewed.id, one.id);
  assert.equal(renewed.state, "waiting");
  assert.ok(renewed.since > NOW - 365 * 24 * 3600 * 1000 * 20 && renewed.since !== 0);
});

test("a colleague's entries go under my name, with who captured them unchanged", () => {
  const [one] = takenOver([entry({ author: "other", captured_by: "other", state: "attention", problem: {} })], ME).changed;
  assert.deepEqual([one.author, one.captured_by, one.state, "problem" in one], [ME, "other", "waiting", false]);
});
