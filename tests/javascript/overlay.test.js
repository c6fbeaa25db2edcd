import assert from "node:assert/strict";
import { test } from "node:test";
import { entry } from "./entries.js";
import { script } from "./static.js";

const { completed, merged, overlay, placed } = await script("procedures/bedside/overlay.js");
const COLLECTIONS = { log_entry: "entries", site: "sites", session: "session" };
const known = (records) => ({ vocabulary: { collections: COLLECTIONS, fields: {} }, rights: {}, me: "me", records });
const at = (key, occurred_at) => ({ key, version: 1, occurred_at });

test("entries stand in the order of their moments, in whatever zone they are written", () => {
  const records = [at("late", "2031-03-04T11:30:00+01:00"), at("early", "2031-03-04T11:00:00+01:00")];
  const unsent = entry({ payload: { occurred_at: "2031-03-04T10:15:00.000Z" } });
  const { entries } = overlay(known({ entries: records }), [unsent], new Set());
  assert.deepEqual(entries.map(({ key }) => key), ["early", unsent.key, "late"]);
});

test("entries of one moment keep one order on every tablet", () => {
  const same = "2031-03-04T10:00:00Z";
  const { entries } = overlay(known({ entries: [at("b", same), at("a", same)] }), [], new Set());
  assert.deepEqual(entries.map(({ key }) => key), ["a", "b"]);
});

test("each says where it is", () => {
  const [waiting, under, stuck] = [entry(), entry(), entry({ state: "attention" })].map((one) => {
    one.payload.occurred_at = one.captured_at;
    return one;
  });
  const { entries } = overlay(known({ entries: [at("k", "2031-03-04T09:00:00Z")] }), [waiting, under, stuck], new Set([under.id]));
  assert.deepEqual(entries.map(({ sync }) => sync), ["server", "here", "sending", "attention"]);
});

test("an edit lies over what the server has, and keeps its version", () => {
  const site = { key: "s", version: 3, label: "A", vein: "lateral" };
  const { sites } = overlay(known({ sites: [site] }), [entry({ kind: "site", key: "s", payload: { label: "B" } })], new Set());
  assert.deepEqual([sites[0].label, sites[0].vein, sites[0].version], ["B", "lateral", 3]);
});

test("what is taken back is gone at once, and comes back when it could not be", () => {
  const records = { sites: [{ key: "s", version: 1 }] };
  const removal = entry({ kind: "site", key: "s", remove: true });
  assert.deepEqual(overlay(known(records), [removal], new Set()).sites, []);
  const refused = { ...removal, state: "attention" };
  assert.equal(overlay(known(records), [refused], new Set()).sites.length, 1);
});

test("an entry of a kind that this build does not know harms nothing", () => {
  assert.deepEqual(overlay(known({ sites: [] }), [entry({ kind: "new_kind" })], new Set()).sites, []);
});

test("an answer that was overtaken does not turn a record back", () => {
  assert.deepEqual(placed([{ key: "a", version: 3 }], [{ key: "a", version: 2 }]), [{ key: "a", version: 3 }]);
  assert.deepEqual(placed([{ key: "a", version: 3 }], [{ key: "a", version: 4 }]), [{ key: "a", version: 4 }]);
  assert.deepEqual(placed([], [{ key: "b", version: 1 }]), [{ key: "b", version: 1 }]);
});

test("what is new is taken in, what was removed goes, a whole answer replaces all", () => {
  const before = known({ sites: [{ key: "a", version: 1 }, { key: "b", version: 1 }] });
  const after = merged(before, { records: { sites: [{ key: "c", version: 1 }] }, removed: ["a"], cursor: "2" });
  assert.deepEqual(after.records.sites.map(({ key }) => key), ["b", "c"]);
  assert.deepEqual(before.records.sites.length, 2, "what was known before is not written over");
  const whole = { whole: true, records: {} };
  assert.equal(merged(before, whole), whole);
  assert.equal(merged(null, whole), whole);
});

test("an entry sends the whole record with its changes", () => {
  const vocabulary = { fields: { site: ["label", "vein", "notes"] } };
  const item = { key: "s", version: 2, label: "A", vein: null, sync: "server" };
  assert.deepEqual(completed(vocabulary, "site", item, { label: "B" }), { label: "B", vein: null });
  assert.deepEqual(completed(vocabulary, "site", null, { label: "B" }), { label: "B" });
});
