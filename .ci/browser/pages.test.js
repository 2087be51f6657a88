import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { barriers, browse, form, go, open, serve } from "./service.js";

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

test("every page is under 100 kB", { timeout: 60_000 }, async () => {
  for (const path of await everyPage()) {
    const page = await fetch(service.url + path, { headers: { Accept: "text/html" }, signal: AbortSignal.timeout(10_000) });
    const { length } = new Uint8Array(await page.arrayBuffer());
    const most = path === "/docs" ? 400_000 : 100_000; // that one is read at a desk; it packs to a tenth
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
            const done = page.getByRole("button", { name: "This is done" });
            if (await done.count() > 1) {
              await done.nth(1).click();
              await page.getByRole("button", { name: /^tested/ }).click();
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
