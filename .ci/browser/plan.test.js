import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { barriers, browse, desk, go, open, phone, serve } from "./service.js";

let service, browser;
before(async () => { [service, browser] = await Promise.all([serve(), browse()]); });
after(async () => {
  await browser?.close();
  await service?.stop();
});

test("several people tick the steps of one plan, and see what the others tick", { timeout: 120_000 }, async () => {
  const order = await fetch(service.url + "/v1/vehicles/marrick-tern-01/plans", { method: "POST", headers: { "Content-Type": "application/json", Prefer: "wait=20" }, body: '{"now": true}' });
  const { id, plan } = await order.json();
  const opens = plan.steps.find((s) => s.act === "open"), measured = plan.steps.find((s) => s.id === "recover_refrigerant");
  const [one, other] = [await open(browser, phone), await open(browser, desk)];
  try {
    const [a, b] = [await one.context.newPage(), await other.context.newPage()];
    await Promise.all([go(a, `${service.url}/plans/${id}`), go(b, `${service.url}/plans/${id}`)]);
    assert.deepEqual(await barriers(a), []);
    assert.ok(await a.evaluate(() => document.documentElement.scrollWidth <= innerWidth), "the page is wider than a phone");
    await b.evaluate(() => { globalThis.unread = true; });
    const news = () => b.evaluate(() => document.dispatchEvent(new Event("visibilitychange"))); // rather than wait for the next time
    const step = (page, s) => page.locator(`#step-${s.step}`);

    await a.getByLabel("Your name, for the steps that you tick").fill("A. Brenner");
    await step(a, opens).getByRole("button", { name: "Done", exact: true }).click();
    await step(a, opens).getByText("by A. Brenner").waitFor();
    await news();
    await step(b, opens).getByText("by A. Brenner").waitFor();
    await b.locator("#steps-done").getByText("1 step is done.").waitFor();
    assert.ok(await b.evaluate(() => globalThis.unread), "the page was read again");

    // What is measured is written down where the step is ticked.
    for (const [i, field] of (await step(a, measured).locator("input[name^=reading]").all()).entries()) await field.fill(`R. Holt ${i}`);
    await step(a, measured).getByRole("button", { name: /^Done/ }).click();
    await step(a, measured).getByText("by A. Brenner").waitFor();

    // Taken back by the other.
    await step(b, opens).getByRole("button", { name: "Not done after all" }).click();
    await step(b, opens).getByRole("button", { name: "Done", exact: true }).waitFor();

    // Side by side.
    await b.locator("form.what-if").getByLabel("People at work").fill("2");
    await b.getByRole("button", { name: "Compare" }).click();
    await b.getByRole("link", { name: "people: 2" }).waitFor();
    assert.deepEqual(await barriers(b), []);
    assert.deepEqual([...one.faults, ...other.faults], []);
  } finally {
    await Promise.all([one.context.close(), other.context.close()]);
  }
});
