import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { after, before, test } from "node:test";
import { barriers, browse, desk, form, go, open, phone, serve } from "./service.js";

let service, browser;
before(async () => { [service, browser] = await Promise.all([serve(), browse()]); });
after(async () => {
  await browser?.close();
  await service?.stop();
});

async function everyPage() {
  const { history } = await (await fetch(service.url + "/v1/vehicles/brennick-wren-03")).json();
  return [
    "/vehicles",
    "/vehicles?gate=road_test&verdict=clear&sort=blockers",
    "/vehicles?search=nothing-like-that",
    "/vehicles/marrick-tern-01",
    "/vehicles/marrick-tern-01?gate=road_test",
    "/vehicles/marrick-tern-01/ready?gate=first_start",
    "/vehicles/brennick-wren-03/ready?gate=first_start",
    `/vehicles/brennick-wren-03/changes?from=${history.at(-1).id}&to=${history[0].id}`,
    "/vehicles/corvane-dale-07/appraisal?gate=road_test",
    "/compare",
    "/compare?vehicle=marrick-tern-01&vehicle=corvane-dale-07",
    "/docs",
    "/sign-in",
    "/inspect",
    "/vehicles/marrick-tern-01/inspect?gate=first_start",
    "/vehicles/marrick-tern-01/inspect?gate=road_test",
    "/vehicles/nobody",
  ];
}

test("in a list clear means one gate in every row, and says how much was looked at", { timeout: 60_000 }, async () => {
  // By the gate that its report asked about this one is clear, and must not be started.
  const report = JSON.parse(await readFile(new URL("../../schema/demo/marrick-tern-01.1.json", import.meta.url)));
  report.vehicle.reference = "lot-01";
  const posted = await fetch(service.url + "/v1/reports?gate=hand_turn", { method: "POST", headers: { "Content-Type": "application/json", Prefer: "wait=20" }, body: JSON.stringify(report) });
  assert.equal((await posted.json()).verdict.state, "clear");
  for (const options of [phone, desk]) {
    const { context, faults } = await open(browser, options);
    try {
      const page = await context.newPage();
      // rows are what the list says, by vehicle.
      const rows = async () => Object.fromEntries(await page.locator("table.list tbody tr").evaluateAll((all) => all.map((tr) => [tr.querySelector("input").value, tr.querySelector("td:nth-of-type(2)").innerText.replace(/\s+/g, " ").trim()])));
      const judged = async (gate) => {
        for (const [vehicle, said] of Object.entries(await rows())) {
          const { state } = await (await fetch(`${service.url}/v1/vehicles/${vehicle}/readiness?gate=${gate}`)).json();
          assert.match(said, new RegExp(`^${state} \\d+ of \\d+ items inspected, (over )?[\\d.]+ % by weight$`), `${vehicle} at ${gate}`);
        }
      };
      await go(page, service.url + "/vehicles");
      await page.getByText("All vehicles are judged at the same gate, first start").waitFor();
      assert.match((await rows())["lot-01"], /^blocked /);
      await judged("first_start");
      // Another gate, and everything else that can be asked for keeps to it.
      await page.getByLabel("Judged at gate").selectOption("hand_turn");
      await page.getByRole("button", { name: "Show" }).click();
      await page.getByText("All vehicles are judged at the same gate, hand turn").waitFor();
      assert.match((await rows())["lot-01"], /^clear /);
      await judged("hand_turn");
      await page.getByLabel("Judged at gate").selectOption("crank");
      await page.getByLabel("Verdict").selectOption("blocked");
      await page.getByLabel("Sort by").selectOption("blockers");
      await page.getByLabel("Search").fill("tern");
      await page.getByRole("button", { name: "Show" }).click();
      await page.getByText("All vehicles are judged at the same gate, crank").waitFor();
      assert.deepEqual(Object.keys(await rows()).sort(), ["lot-01", "marrick-tern-01"]);
      assert.equal(await page.getByLabel("Judged at gate").inputValue(), "crank");
      await judged("crank");
      await page.goto(page.url() + "&limit=1");
      const first = Object.keys(await rows());
      await page.getByRole("link", { name: "Next page" }).click();
      await page.waitForURL(/cursor=/);
      assert.deepEqual([...first, ...Object.keys(await rows())].sort(), ["lot-01", "marrick-tern-01"]);
      await judged("crank");
      // The vehicle's own page opens at the gate of the list, and judges its history there.
      await page.locator("table.list th a").first().click();
      await page.waitForURL(/\?gate=crank$/);
      assert.match(await page.locator(".rung.asked .gate").innerText(), /Crank/);
      await page.locator("details:has(#history) > summary").click();
      await page.getByText("Each assessment is judged at the same gate, crank").waitFor();
      assert.deepEqual(faults, []);
    } finally {
      await context.close();
    }
  }
});

test("every page is under 100 kB", { timeout: 60_000 }, async () => {
  for (const path of await everyPage()) {
    const page = await fetch(service.url + path, { headers: { Accept: "text/html" }, signal: AbortSignal.timeout(10_000) });
    const { length } = new Uint8Array(await page.arrayBuffer());
    const most = path === "/docs" ? 640_000 : 100_000; // that one is read at a desk; it packs to a tenth
    assert.ok(length > 500 && length < most, `${path}: ${length} bytes`);
  }
});

for (const colorScheme of ["light", "dark"]) {
  for (const width of [360, 1200]) {
    test(`nothing on a page keeps anybody out: ${colorScheme}, ${width} wide`, { timeout: 180_000 }, async () => {
      // axe-core is put into the page, which its policy would not let happen.
      const { context, faults } = await open(browser, { viewport: { width, height: 800 }, colorScheme, bypassCSP: true, serviceWorkers: "block" });
      try {
        for (const path of await everyPage()) {
          const page = await context.newPage();
          await go(page, service.url + path);
          if (path.includes("inspect")) {
            const f = form(page);
            await f.system("Cooling").waitFor();
            assert.deepEqual(await barriers(page), [], path);
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
          }
          await page.evaluate(() => document.querySelectorAll("main > section details").forEach((d) => { d.open = true; }));
          assert.deepEqual(await barriers(page), [], path);
          await page.close();
        }
        assert.deepEqual(faults, []);
      } finally {
        await context.close();
      }
    });
  }
}
