// The API's description, as the program serves it, is linted, and a client that is generated from it does the main job. Nothing
// generated is kept, so nothing of it can be stale.
import assert from "node:assert/strict";
import { execFileSync, spawn } from "node:child_process";
import { mkdtemp, mkdir, readFile, rm, writeFile } from "node:fs/promises";
import { once } from "node:events";
import { createInterface } from "node:readline";
import os from "node:os";
import path from "node:path";
import { after, before, test } from "node:test";

const binary = process.env.LAIDUP;
if (!binary) throw new Error("LAIDUP has to say where the program is: go build -o /tmp/laidup ./cmd/laidup");

const here = import.meta.dirname;
const demo = async (name) => JSON.parse(await readFile(path.join(here, "../../schema/demo", name + ".json"), "utf8"));
let service, url, key, folder;

before(async () => {
  await mkdir(path.join(here, "generated"), { recursive: true });
  folder = await mkdtemp(path.join(os.tmpdir(), "laidup-clients-"));
  const made = execFileSync(binary, ["keys", "create", "--data", folder, "--label", "client", "--scopes", "reports,webhooks"], { encoding: "utf8", stdio: "pipe" });
  key = made.match(/lu_\w+/)[0];
  service = spawn(binary, ["serve", "--require-keys", "--data", folder, "--addr", "127.0.0.1:0", "--webhook-networks", "127.0.0.0/8"], { stdio: ["ignore", "ignore", "pipe"] });
  for await (const line of createInterface({ input: service.stderr })) {
    url = line.match(/http:\/\/127\.0\.0\.1:\d+/)?.[0];
    if (url) break;
  }
  assert.ok(url, "the service did not start");
  service.stderr.resume();
});

after(async () => {
  service.kill("SIGTERM");
  const hard = setTimeout(() => service.kill("SIGKILL"), 5000);
  if (service.exitCode === null) await once(service, "exit");
  clearTimeout(hard);
  await rm(folder, { recursive: true });
});

const run = (tool, ...args) => {
  try {
    return execFileSync(path.join(here, "node_modules/.bin", tool), args, {
      cwd: here, encoding: "utf8", stdio: "pipe",
      env: { ...process.env, REDOCLY_TELEMETRY: "off", REDOCLY_SUPPRESS_UPDATE_NOTICE: "true" },
    });
  } catch (e) {
    assert.fail(`${tool} ${args.join(" ")}\n${e.stdout}${e.stderr}`);
  }
};

test("the description is linted", async () => {
  const answer = await fetch(url + "/v1/openapi.json");
  assert.equal(answer.status, 200);
  await writeFile(path.join(here, "generated/openapi.json"), await answer.text());
  const { problems } = JSON.parse(run("redocly", "lint", "--config", "redocly.yaml", "--format", "json", "generated/openapi.json"));
  assert.deepEqual(problems.map((p) => `${p.ruleId} at ${p.location[0]?.pointer}: ${p.message}`), []);
});

test("a generated client does the main job", async () => {
  run("openapi-typescript", "generated/openapi.json", "--output", "generated/api.d.ts");
  run("tsc");
  const { mainJob } = await import("./generated/main-job.js");
  const [first, ...followUps] = await Promise.all([1, 2, 3].map((n) => demo("brennick-wren-03." + n)));
  const said = await mainJob(url, key, first, followUps);
  assert.equal(said[0], "crank is unproven");
  assert.match(said.join("\n"), /unproven on start_interlock/);
  assert.equal(said.at(-1), "crank is clear, 0 in the way");

  // What is wrong with a report is typed, too.
  const wrong = structuredClone(first);
  wrong.reference = "wrong";
  wrong.inspection.date = "2026-02-30";
  wrong.observations[0].item = "flux_capacitor";
  const faults = await mainJob(url, key, wrong, []);
  assert.match(faults.join("\n"), /^\w+ at \/inspection\/date: /m);
  assert.match(faults.join("\n"), /^unknown_field at \/observations\/0\/item: |^wrong_value at \/observations\/0\/item: /m);
});

test("a generated client has a lot of cars scored, and a webhook tells when it is done", async () => {
  const { receiver, scoreLot, subscribe } = await import("./generated/dealer.js");
  const kept = new Map();
  let secret;
  const server = receiver(() => secret, (id, event) => kept.set(id, event)).listen(0, "127.0.0.1");
  try {
    await once(server, "listening");
    const to = `http://127.0.0.1:${server.address().port}/laidup`;
    secret = await subscribe(url, key, to);

    const car = await demo("marrick-tern-01.1");
    const lot = Array.from({ length: 120 }, (_, i) => JSON.stringify({ ...car, vehicle: { ...car.vehicle, reference: `lot-${i}` } }));
    lot[7] = "{}";
    for (const _ of [1, 2]) { // the second time it is the same batch
      const results = await scoreLot(url, key, lot.join("\n"), "auction-2026-11");
      assert.equal(results.length, 120);
      assert.deepEqual(results.filter((r) => r.state !== "done").map((r) => [r.line, r.state]), [[8, "refused"]]);
      assert.equal(results[0].summary.verdict.state, "blocked");
    }
    const events = (type) => [...kept.values()].filter((e) => e.type === type);
    for (let i = 0; i < 100 && (events("batch.finished").length < 1 || events("readiness.changed").length < 119); i++) {
      await new Promise((after) => setTimeout(after, 100));
    }
    assert.deepEqual(events("batch.finished").map((e) => e.data.lines), [{ received: 120, refused: 1, done: 119, failed: 0 }]);
    assert.equal(events("readiness.changed").length, 119);

    // What did not come from laidup is refused.
    const forged = await fetch(to, { method: "POST", body: "{}", headers: { "webhook-id": "evt_1", "webhook-timestamp": `${Math.floor(Date.now() / 1000)}`, "webhook-signature": "v1,AAAA" } });
    assert.equal(forged.status, 401);
  } finally {
    server.close();
    server.closeAllConnections();
  }
});
