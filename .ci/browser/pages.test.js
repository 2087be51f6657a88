import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { after, before, test } from "node:test";
import { barriers, browse, desk, form, go, open, phone, serve } from "./service.js";

const word = "Extraordinarilylongwordwithoutanyplacetobreakitsomewhereatall";
const lot = 300;

// One service, one browser, and pages that are used again.
let service, browser;
before(async () => {
  [service, browser] = await Promise.all([serve(), browse()]);
  const tern = JSON.parse(await readFile(new URL("../../schema/demo/marrick-tern-01.1.json", import.meta.url)));
  const post = (path, type, body) => fetch(service.url + path, { method: "POST", headers: { "Content-Type": type, Prefer: "wait=20" }, body });
  // By the gate that its report asked about this one is clear, and must not be started.
  const clear = await post("/v1/reports?gate=hand_turn", "application/json", JSON.stringify({ ...tern, vehicle: { ...tern.vehicle, reference: "yard-01" } }));
  assert.equal((await clear.json()).verdict.state, "clear");
  const long = { ...tern, vehicle: { ...tern.vehicle, reference: word, description: word + " " + word }, inspection: { ...tern.inspection, inspector: word } };
  long.observations = long.observations.map((o) => ({ ...o, note: word }));
  assert.equal((await post("/v1/reports", "application/json", JSON.stringify(long))).status, 200);
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

async function everyPage() {
  const { history } = await (await fetch(service.url + "/v1/vehicles/brennick-wren-03")).json();
  return [
    "/vehicles",
    "/vehicles?search=nothing-like-that",
    "/vehicles/marrick-tern-01?gate=road_test",
    "/vehicles/brennick-wren-03",
    "/vehicles/corvane-dale-07/ready?gate=crank",
    "/vehicles/marrick-tern-01/ready?gate=first_start",
    `/vehicles/brennick-wren-03/changes?from=${history.at(-1).id}&to=${history[0].id}`,
    "/vehicles/corvane-dale-07/appraisal?gate=road_test",
    "/compare",
    "/compare?vehicle=marrick-tern-01&vehicle=corvane-dale-07&vehicle=brennick-wren-03",
    "/batches",
    "/docs",
    "/sign-in",
    "/inspect",
    "/vehicles/marrick-tern-01/inspect?gate=first_start",
    "/vehicles/nobody",
  ];
}

test("in a list clear means one gate in every row, and says how much was looked at", { timeout: 60_000 }, async () => {
  for (const options of [phone, desk]) {
    const { context, faults } = await open(browser, options);
    try {
      const page = await context.newPage();
      // rows are what the list says, by vehicle.
      const rows = async () => Object.fromEntries(await page.locator("table.list tbody tr").evaluateAll((all) => all.map((tr) => [tr.querySelector("input").value, tr.innerText.replace(/\s+/g, " ").trim()])));
      const judged = async (gate) => {
        for (const [vehicle, said] of Object.entries(await rows())) {
          const { state, blockers } = await (await fetch(`${service.url}/v1/vehicles/${vehicle}/readiness?gate=${gate}`)).json();
          assert.match(said, new RegExp(`${state} ${blockers.length} blockers? .*\\d+ of \\d+, (over )?[\\d.]+ %`), `${vehicle} at ${gate}`);
        }
      };
      await go(page, service.url + "/vehicles");
      await page.getByText("All vehicles are judged at the same gate, first start").waitFor();
      assert.match((await rows())["yard-01"], /\bblocked\b/);
      await judged("first_start");
      // Another gate, and everything else that can be asked for keeps to it; words come in any order.
      await page.getByLabel("Judged at gate").selectOption("crank");
      await page.getByLabel("Sort by").selectOption("chance");
      await page.getByLabel("Search").fill("saloon  TERN");
      await page.getByRole("button", { name: "Show" }).click();
      await page.getByText("All vehicles are judged at the same gate, crank").waitFor();
      await page.getByText("2 vehicles", { exact: true }).waitFor();
      assert.deepEqual(Object.keys(await rows()).sort(), ["marrick-tern-01", "yard-01"]);
      await judged("crank");
      // Both ways through the pages; what is ticked stays ticked.
      await page.goto(page.url() + "&limit=1");
      const [first] = Object.keys(await rows());
      await page.locator("input[type=checkbox]").check();
      await page.getByRole("link", { name: "Next page" }).click();
      await page.waitForURL(/page=2/);
      assert.deepEqual([first, ...Object.keys(await rows())].sort(), ["marrick-tern-01", "yard-01"]);
      await judged("crank");
      await page.getByText("1 selected").waitFor();
      await page.locator("input[type=checkbox]").check();
      await page.getByRole("link", { name: "Previous page" }).click();
      await page.waitForURL(/page=1/);
      assert.equal(await page.locator("input[type=checkbox]").isChecked(), true);
      await page.getByRole("button", { name: "Compare selected" }).click();
      await page.waitForURL(/compare/);
      assert.equal(await page.locator("table.compare thead th").count(), 2);
      // A vehicle's own page opens at the gate of the comparison, and judges its history there.
      await page.getByLabel("Judged at gate").selectOption("crank");
      await page.getByRole("button", { name: "Show" }).click();
      await page.locator("table.compare thead th a").first().click();
      await page.waitForURL(/\?gate=crank$/);
      assert.match(await page.locator("#verdict").innerText(), /^Do not crank: .+, and \d+ more\.$/);
      assert.match(await page.locator(".rung.asked .gate").innerText(), /Crank/);
      await page.locator("details:has(#history) > summary").click();
      await page.getByText("Each assessment is judged at the same gate, crank").waitFor();
      assert.deepEqual(faults, []);
    } finally {
      await context.close();
    }
  }
});

test("a file of reports is sent, and what was refused is said with the reason", { timeout: 60_000 }, async () => {
  const { context, faults } = await open(browser, desk);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/batches");
    const good = JSON.parse(await readFile(new URL("../../schema/demo/brennick-wren-03.1.json", import.meta.url)));
    good.observations = good.observations.slice(0, 3);
    const lines = Array.from({ length: lot }, (_, i) => JSON.stringify({ ...good, vehicle: { ...good.vehicle, reference: `lot-${i}` } }));
    lines[2] = JSON.stringify({ ...good, inspection: { ...good.inspection, date: "2026-13-01" } });
    await page.getByLabel("File").setInputFiles({ name: "lot.ndjson", mimeType: "application/x-ndjson", buffer: Buffer.from(lines.join("\n")) });
    await page.getByRole("button", { name: "Send file" }).click();
    await page.waitForURL(/\/batches\/.+/);
    await page.getByRole("heading", { name: "Done" }).waitFor({ timeout: 45_000 });
    await page.getByText(`${lot - 1} scored · 1 refused · 0 failed`).waitFor();
    const refused = page.locator(".refused > li");
    assert.equal(await refused.count(), 1);
    assert.match(await refused.innerText(), /Line 3\b[^]*\/inspection\/date[^]*2026-13-01/);
    await go(page, service.url + "/batches");
    await page.getByLabel("File").setInputFiles({ name: "lot.csv", mimeType: "text/csv", buffer: Buffer.from("vehicle,nonsense\nx,1\n") });
    await page.getByRole("button", { name: "Send file" }).click();
    await page.locator("[data-said] li").first().waitFor();
    assert.match(await page.locator("[data-said]").innerText(), /nonsense/);
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
});

// What a page costs is counted, not timed: the same on every machine. Bytes are of the page as it is sent without
// compression, requests all that it makes.
test("pages keep to their budgets, the list with 300 vehicles too", { timeout: 60_000 }, async () => {
  const { context } = await open(browser, { ...phone, serviceWorkers: "block" });
  try {
    const page = await context.newPage();
    let requests = 0;
    page.on("request", (r) => { if (!r.url().endsWith("/events")) requests++; });
    for (const [path, most] of Object.entries({
      "/vehicles?sort=chance": { bytes: 110_000, nodes: 2_400, requests: 4 },
      "/vehicles/marrick-tern-01?gate=road_test": { bytes: 95_000, nodes: 2_300, requests: 4 },
      "/compare?vehicle=marrick-tern-01&vehicle=brennick-wren-03": { bytes: 40_000, nodes: 400, requests: 3 },
      "/inspect": { bytes: 20_000, nodes: 3_000, requests: 6 },
    })) {
      requests = 0;
      const answer = await page.goto(service.url + path, { waitUntil: "load" });
      const bytes = (await answer.body()).length;
      const nodes = await page.evaluate(() => document.querySelectorAll("*").length);
      const spent = { bytes, nodes, requests };
      for (const [what, limit] of Object.entries(most)) assert.ok(spent[what] <= limit, `${path}: ${spent[what]} ${what}, at most ${limit}`);
    }
    await go(page, service.url + "/vehicles");
    assert.ok(Number((await page.locator(".counts b").innerText()).split(" ")[0]) >= lot);
  } finally {
    await context.close();
  }
});

test("no page is wider than the screen, whatever is written in it", { timeout: 60_000 }, async () => {
  const { context } = await open(browser, { viewport: { width: 320, height: 700 }, serviceWorkers: "block" });
  try {
    const page = await context.newPage();
    const own = "/vehicles/" + word;
    for (const path of [...await everyPage(), "/vehicles?search=" + word, own, own + "/ready", own + "/appraisal", own + "/inspect", "/compare?vehicle=" + word]) {
      await go(page, service.url + path);
      if (path !== "/docs") await page.evaluate(() => document.querySelectorAll("details").forEach((d) => { d.open = true; }));
      for (const width of [320, 390, 640, 1280]) { // 640 is 1280 at 200 %
        await page.setViewportSize({ width, height: 700 });
        const is = await page.evaluate(() => document.documentElement.scrollWidth);
        assert.ok(is <= width, `${path} is ${is} wide on ${width}`);
      }
    }
  } finally {
    await context.close();
  }
});

// Forms and the reference are what takes longest: they have a limit of their own.
for (const [what, some] of [["what is read", (path) => !/inspect|docs/.test(path)], ["forms and the reference", (path) => /inspect|docs/.test(path)]]) test(`nothing keeps anybody out: ${what}`, { timeout: 180_000 }, async () => {
  // axe-core is put into the page, which its policy would not let happen.
  const { context, faults } = await open(browser, { viewport: { width: 320, height: 700 }, bypassCSP: true, serviceWorkers: "block" });
  try {
    const page = await context.newPage();
    for (const path of (await everyPage()).filter(some)) {
      await page.setViewportSize({ width: 320, height: 700 });
      await page.emulateMedia({ colorScheme: "light" });
      await go(page, service.url + path);
      if (path.includes("inspect")) {
        const f = form(page);
        await f.system("Cooling").waitFor();
        const coolant = await f.open("Cooling", "Coolant");
        await coolant.locator("details.common > summary").click();
        await coolant.getByLabel("Freezing point", { exact: true }).fill("900");
        const done = page.getByRole("button", { name: "Enter what was done" });
        if (await done.count() > 1) {
          await done.nth(1).click();
          await page.locator("li.blocker .done").locator(".chip, input[type=text]").last().click();
          await done.first().click();
        }
        await f.send.click();
        await page.locator("[data-faults] a").first().waitFor();
      } else if (path !== "/docs") {
        await page.evaluate(() => document.querySelectorAll("details").forEach((d) => { d.open = true; }));
      }
      if (path === "/docs") { // what is said of each operation in the same way is looked at on the first few
        await page.evaluate(() => document.querySelectorAll("main *").forEach((e) => {
          if ([...e.parentNode?.children || []].filter((x) => x.tagName === e.tagName).indexOf(e) > 2) e.remove();
        }));
      }
      assert.deepEqual(await barriers(page), [], path + " on a phone");
      await page.setViewportSize({ width: 1280, height: 900 });
      await page.emulateMedia({ colorScheme: "dark" });
      assert.deepEqual(await barriers(page), [], path + " at a desk, in the dark");
    }
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
});

test("a blocked gate is told from a clear one by words and shapes, on paper too", { timeout: 30_000 }, async () => {
  const { context } = await open(browser, desk);
  try {
    const page = await context.newPage();
    const look = async (vehicle, gate) => {
      await go(page, `${service.url}/vehicles/${vehicle}?gate=${gate}`);
      const all = {};
      for (const media of ["screen", "print"]) {
        await page.emulateMedia({ media });
        all[media] = await page.locator(".verdict").evaluate((e) => {
          const { borderLeftWidth: width, borderLeftStyle: style } = getComputedStyle(e);
          return { border: width === "0px" ? "open" : style, mark: e.querySelector(".glyph").innerHTML, says: e.querySelector("h2").innerText.split(" ").slice(0, 2).join(" ") };
        });
      }
      await page.emulateMedia({ media: "screen" });
      assert.deepEqual(all.print, all.screen);
      return all.print;
    };
    const [blocked, unproven, clear] = [await look("marrick-tern-01", "crank"), await look("corvane-dale-07", "first_start"), await look("brennick-wren-03", "first_start")];
    assert.deepEqual([blocked.says, unproven.says, clear.says], ["Do not", "Do not", "Clear to"]);
    for (const what of ["border", "mark"]) assert.equal(new Set([blocked[what], unproven[what], clear[what]]).size, 3, what);
    await page.emulateMedia({ media: "print" });
    assert.equal(await page.locator(".top").isVisible(), false);
  } finally {
    await context.close();
  }
});
