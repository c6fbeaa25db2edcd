import assert from "node:assert/strict";
import { test } from "node:test";
import { script } from "./static.js";

const { next, PHASES, standing, startedAt } = await script("procedures/bedside/phase.js");

function state({ kinds = [], sites = [], measurements = [], decisions = [], status = "open" } = {}) {
  const entries = kinds.map((kind, place) => ({ key: String(place), kind, occurred_at: `2031-03-04T10:0${place}:00Z` }));
  return { session: { status, started_at: "2031-03-04T09:50:00Z" }, entries, sites, measurements, decisions };
}

for (const [kinds, phase] of [
  [[], "Access"], [["access"], "Coronary sinus"], [["cs_cannulated"], "Venogram"], [["venogram"], "Testing sites"],
  [["site_reached"], "Testing sites"], [["decision"], "Closing"], [["access_closed"], "Signing"],
  [["access_closed", "access"], "Signing"], [["site_reached", "cs_cannulated"], "Testing sites"],
]) {
  test(`after ${kinds.join(" and ") || "nothing"} comes ${phase}`, () => {
    assert.equal(PHASES[standing(state({ kinds }))], phase);
  });
}

test("a session that was signed is past every phase and offers nothing", () => {
  const signed = state({ kinds: ["access"], status: "signed" });
  assert.equal(standing(signed), PHASES.length);
  assert.equal(next(signed), null);
});

test("a site without a measurement is offered, the latest first, and never one that was not reached", () => {
  const sites = [{ key: "a", label: "A" }, { key: "b", label: "B" }, { key: "c", label: "C", reached: false }];
  assert.equal(next(state({ sites })).go, "measure/b");
  assert.equal(next(state({ sites, measurements: [{ site: "b" }] })).go, "measure/a");
  const all = next(state({ sites, measurements: [{ site: "a" }, { site: "b" }] }));
  assert.deepEqual([all.text, all.go], ["New site", "site"]);
});

test("a decision recorded as a decision counts like the logged event", () => {
  assert.equal(next(state({ decisions: [{}] })).log, "access_closed");
});

test("time runs from the first access, before it from the start", () => {
  const [access] = state({ kinds: ["access"] }).entries;
  assert.deepEqual(startedAt(state({ kinds: ["access", "access"] })), [Date.parse(access.occurred_at), "since access"]);
  assert.deepEqual(startedAt(state()), [Date.parse("2031-03-04T09:50:00Z"), "since the start"]);
});
