import assert from "node:assert/strict";
import { test } from "node:test";
import { lock, NeedsLogIn, NoLine, Refused, Server, tablet, TryLater } from "./bedside.js";

const CLOSE = Symbol.for("close");

async function withTablet(act, server = new Server()) {
  const opened = await tablet(server);
  try {
    await act({ ...opened, server });
  } finally {
    opened[CLOSE]();
  }
}

const down = (server, times = 50) => (server.fails = Array.from({ length: times }, () => new NoLine("down")));

test("without a line nothing is lost, and later all goes in order", () =>
  withTablet(async ({ store, server, round, log }) => {
    down(server);
    for (const kind of ["access", "cs_cannulated", "venogram"]) await log(kind);
    await round();
    assert.deepEqual([store.counts.here, store.counts.online, server.batches], [3, false, []]);
    server.fails = [];
    await round();
    assert.deepEqual([store.counts.here, store.counts.online], [0, true]);
    assert.deepEqual(server.batches, [["access", "cs_cannulated", "venogram"]]);
  }));

test("an answer that was lost makes a replay, not a second record", () =>
  withTablet(async ({ store, server, round, log }) => {
    down(server);
    await log("access");
    await round();
    server.fails = [];
    server.losesAnswer = true;
    await round();
    await round();
    assert.deepEqual([server.batches.length, server.stored.length, store.counts.here], [2, 1, 0]);
  }));

test("what follows a refused entry waits without a question of its own, the rest is taken", () =>
  withTablet(async ({ store, server, round, log }) => {
    down(server);
    const site = await store.put("site", { label: "A" });
    await store.put("lead_measurement", { site: site.key });
    await log("venogram");
    server.fails = [];
    server.refuses = ({ kind }) => {
      if (kind === "site") return { status: "refused", http: 422, code: "invalid", message: "No such name." };
      return kind === "lead_measurement" ? { status: "refused", http: 404, code: "not_found", message: "No such site." } : null;
    };
    await round();
    assert.deepEqual(store.attention.map(({ kind, message }) => [kind, message]), [["site", "No such name."]]);
    assert.deepEqual([store.counts.here, server.stored.length], [1, 1]);
    server.refuses = () => null;
    await store.settle(site.key, { label: "B" });
    await round();
    assert.deepEqual([store.counts.here, store.counts.attention, server.stored.length], [0, 0, 3]);
  }));

test("a batch refused as a whole: the entry at fault is found, the others go", () =>
  withTablet(async ({ store, server, round, log }) => {
    down(server);
    for (const kind of ["access", "bad", "venogram"]) await log(kind);
    server.fails = [];
    server.refusesBatch = (entries) =>
      entries.some(({ payload }) => payload.kind === "bad") ? new Refused(400, { message: "Cannot be read." }) : null;
    await round();
    await round();
    assert.deepEqual(store.attention.map(({ mine }) => mine.kind), ["bad"]);
    assert.deepEqual([store.counts.here, server.stored.length], [0, 2]);
  }));

test("a server that fails at one entry again and again does not hold up the rest for ever", () =>
  withTablet(async ({ store, server, round, log }) => {
    down(server);
    await log("bad");
    await log("venogram");
    server.fails = [];
    server.refusesBatch = ([first]) => (first.payload.kind === "bad" ? new TryLater(0, 500) : null);
    for (let times = 0; times < 6; times += 1) await round();
    assert.deepEqual(store.attention.map(({ mine }) => mine.kind), ["bad"]);
    assert.equal(server.stored.length, 1);
  }));

test("a server that is busy loses nothing and asks nobody", () =>
  withTablet(async ({ store, server, round, log }) => {
    down(server);
    await log("access");
    server.fails = [];
    server.refusesBatch = () => new TryLater(5, 503);
    for (let times = 0; times < 8; times += 1) await round();
    assert.deepEqual([store.counts.here, store.counts.attention, server.stored], [1, 0, []]);
  }));

test("when the log-in has run out entries wait, and the line says so", () =>
  withTablet(async ({ store, server, round, log }) => {
    server.fails = Array.from({ length: 50 }, () => new NeedsLogIn());
    await log("access");
    await round();
    assert.deepEqual([store.counts.here, store.counts.needsLogIn, server.batches], [1, true, []]);
  }));

test("when somebody else logs in, my entries wait and show no word of themselves", () =>
  withTablet(async ({ store, server, round, log }) => {
    down(server);
    await log("access");
    server.fails = [];
    server.me = "other";
    await round();
    assert.deepEqual([server.batches, store.colleagues.count, store.attention], [[], 1, []]);
    assert.deepEqual(store.state.entries, []);
    server.me = "me";
    await round();
    assert.deepEqual([server.batches, store.colleagues.count], [[["access"]], 0]);
  }));

test("how far the tablet's clock is off is told, and changes no order", () =>
  withTablet(async ({ store, server, round, log }) => {
    down(server);
    await log("access");
    await log("venogram");
    server.fails = [];
    server.clockAheadMs = 3600_000;
    await round();
    assert.ok(Math.abs(store.counts.clockAheadS + 3600) <= 1, String(store.counts.clockAheadS));
    assert.deepEqual(server.batches, [["access", "venogram"]]);
  }));

test("two edits of one record go one after the other, the second on top of the first", () =>
  withTablet(async ({ store, server, round }) => {
    down(server);
    const site = await store.put("site", { label: "A" });
    await store.put("site", { label: "B" }, { key: site.key });
    const [first, second] = store.pending;
    assert.deepEqual([first.based_on, second.based_on, second.version], [null, first.id, null]);
    assert.equal(store.state.sites[0].label, "B");
    server.fails = [];
    await round();
    assert.deepEqual(server.batches, [["A", "B"]]);
  }));

test("on a locked page nothing is entered", () =>
  withTablet(async ({ store, log }) => {
    lock(true);
    await assert.rejects(log("access"), /locked/);
    lock(false);
    assert.equal(store.pending.length, 0);
    await log("access");
    assert.equal(store.pending.length, 1);
  }));
