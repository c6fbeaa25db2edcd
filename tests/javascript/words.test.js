import assert from "node:assert/strict";
import { test } from "node:test";
import { script } from "./static.js";

const { clockTime, latestOf, measured, plain, span, stepped } = await script("procedures/bedside/words.js");
const { kindOf, words } = await script("procedures/bedside/line_words.js");
const { moments } = await script("procedures/bedside/moments.js");
const { timeNear } = await script("procedures/bedside/times.js");
const { judged, range } = await script("procedures/bedside/judging.js");
const { retryAfter } = await script("procedures/bedside/transport.js");
const NOW = Date.parse("2031-03-04T10:00:00Z");
const MINUTE = 60_000;
const counts = (changes) => ({
  here: 0, attention: 0, colleagues: 0, online: true, needsLogIn: false, missing: false, lastSeen: NOW, clockAheadS: 0, ...changes,
});

for (const [changes, said, kind] of [
  [{}, "Everything is on the server", "good"],
  [{ here: 1 }, "1 entry on this tablet only", "busy"],
  [{ here: 2, attention: 1 }, "2 entries on this tablet only · 1 needs attention", "ask"],
  [{ attention: 2 }, "2 need attention", "ask"],
  [{ here: 3, colleagues: 2 }, "3 entries on this tablet only · 2 of them by a colleague who is not logged in", "busy"],
  [{ online: false }, "Everything is on the server · no response from the server for less than a minute", "off"],
  [{ online: false, lastSeen: null }, "Everything is on the server · no response from the server", "off"],
  [{ online: false, lastSeen: NOW - 119 * MINUTE }, "Everything is on the server · no response from the server for 119 min", "off"],
  [{ online: false, lastSeen: NOW - 120 * MINUTE }, "Everything is on the server · no response from the server for 2 hours", "off"],
  [{ needsLogIn: true, online: false }, "Everything is on the server · log in again to send", "ask"],
  [{ clockAheadS: 59 }, "Everything is on the server", "good"],
  [{ clockAheadS: 60 }, "Everything is on the server · this tablet's clock is 1 min ahead", "good"],
  [{ clockAheadS: -7200 }, "Everything is on the server · this tablet's clock is 2 hours behind", "good"],
  [{ clockAheadS: NaN }, "Everything is on the server", "good"],
]) {
  test(`the line says '${said}'`, () => {
    assert.equal(words(counts(changes), NOW), said);
    assert.equal(kindOf(counts(changes)), kind);
  });
}

test("a running time never turns negative or back to nothing", () => {
  assert.deepEqual([0, 999, 61_000, 3_599_999, 25 * 3600_000, -5000].map(span), [
    "00:00:00", "00:00:00", "00:01:01", "00:59:59", "25:00:00", "00:00:00",
  ]);
});

test("numbers lose the dust of floating point and nothing else", () => {
  assert.deepEqual([0.1 + 0.2, 1.0005, 2, 0, -0.0001].map(plain), ["0.3", "1.001", "2", "0", "0"]);
});

test("a time of day is taken on the day on which it is closest", () => {
  const near = new Date(2031, 2, 4, 0, 10, 0).getTime();
  assert.deepEqual(timeNear("23:55", near), new Date(2031, 2, 3, 23, 55, 0));
  assert.deepEqual(timeNear("0015", near), new Date(2031, 2, 4, 0, 15, 0));
  assert.deepEqual(timeNear(" 00:15:30 ", near), new Date(2031, 2, 4, 0, 15, 30));
  const evening = new Date(2031, 2, 4, 23, 50, 0).getTime();
  assert.deepEqual(timeNear("0:05", evening), new Date(2031, 2, 5, 0, 5, 0));
  assert.equal(clockTime(timeNear("7:05", near)), "07:05:00");
});

for (const text of ["", "24:00", "12:60", "12:00:60", "noon", "12", "12:0", "1e3", "-1:00", "12:00 pm"]) {
  test(`'${text}' is no time of day`, () => assert.equal(timeNear(text, NOW), null));
}

test("the latest of each value is taken, only of the site's own electrodes, threshold with its pulse width", () => {
  const site = { key: "s", cathode: "tip", anode: "ring" };
  const one = (at, changes) => ({
    site: "s", cathode: "", measured_at: at, capture_threshold_v: null, pulse_width_ms: null, sensed_r_wave_mv: null, ...changes,
  });
  const found = latestOf(site, [
    one("2031-03-04T11:00:00+01:00", { capture_threshold_v: 1.5, pulse_width_ms: 0.4, sensed_r_wave_mv: 8 }),
    one("2031-03-04T10:30:00Z", { capture_threshold_v: 2, pulse_width_ms: null }),
    one("2031-03-04T10:45:00Z", { capture_threshold_v: 9, cathode: "ring", anode: "can" }),
    one("2031-03-04T10:50:00Z", { pulse_width_ms: 1 }),
    { ...one("2031-03-04T10:55:00Z", { capture_threshold_v: 5 }), site: "other" },
  ]);
  assert.deepEqual([found.capture_threshold_v, found.pulse_width_ms, found.sensed_r_wave_mv], [2, null, 8]);
});

test("a measurement is read back with its units; zero is a value, missing is left out", () => {
  const said = measured({ capture_threshold_v: 0.75, pulse_width_ms: 0.4, impedance_ohm: 620, phrenic_threshold_v: 0 });
  assert.equal(said, "threshold 0.75 V at 0.4 ms, 620 Ohm, phrenic at 0 V");
  assert.equal(measured({}), "");
});

test("a threshold test says the last step that captured", () => {
  const steps = (...captured) => captured.map((one, place) => ({ amplitude_v: 2 - place / 2, captured: one }));
  assert.equal(stepped(steps(true, true, false), 0.4), "threshold 1.5 V at 0.4 ms, capture lost at 1 V");
  assert.equal(stepped(steps(false), 0.4), "no capture at 2 V at 0.4 ms");
  assert.equal(stepped(steps(true, true), 0.4), "captured down to 1.5 V at 0.4 ms, no loss");
  assert.equal(stepped([], 0.4), "");
});

test("the list of last entries runs by moments, newest first; a site by its key's", () => {
  const vocabulary = { entry_kinds: [{ value: "access", label: "Access" }], obstacles: [], veins: [], parts: [] };
  const at = NOW - 3600_000;
  const hex = at.toString(16).padStart(12, "0");
  const siteKey = `${hex.slice(0, 8)}-${hex.slice(8)}-7000-8000-000000000000`;
  const state = {
    vocabulary, tributaries: [],
    entries: [
      { key: "a", kind: "access", occurred_at: "2031-03-04T11:10:00+01:00", text: "" },
      { key: "b", kind: "access", occurred_at: "2031-03-04T10:20:00Z", text: "" },
    ],
    sites: [{ key: siteKey, label: "A", tributary: null }],
  };
  const rows = moments(state);
  assert.equal(rows.find(({ kind }) => kind === "site").at, at);
  assert.deepEqual(rows.map(({ key }) => key), ["b", "a", siteKey]);
});

test("a hard limit refuses, a common one asks, both ends included", () => {
  const one = { label: "Threshold", unit: "V", hard: [0, 10], usual: [0.3, 5] };
  assert.deepEqual([0.3, 5, 1].map((value) => judged(one, value)), [null, null, null]);
  assert.deepEqual([0, 10, 0.29, 5.01].map((value) => judged(one, value).ask), [true, true, true, true]);
  assert.match(judged(one, 10.01).text, /10.01 V is not possible. Enter 0 to 10 V/);
  assert.equal(judged(one, 10.01).ask, undefined);
  assert.equal(judged(one, Infinity).ask, undefined);
  assert.match(judged(one, NaN).text, /enter a number/);
  assert.equal(range(one), "0 to 10 V; 0.3 to 5 is usual");
  assert.equal(range({ ...one, usual: one.hard }), "0 to 10 V");
});

test("a server may ask for patience, within a minute", () => {
  assert.deepEqual(["5", "0", "60", "3600", "99999999999", "-5", "1e9", "5abc", "Wed, 21 Oct 2031 07:28:00 GMT", "", null].map(retryAfter), [
    5, 0, 60, 60, 60, 0, 0, 0, 0, 0, 0,
  ]);
});
