import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { mkdtemp, readFile, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { barriers, browse, desk, form, go, line, open, phone, serve } from "./service.js";

let service, browser;
before(async () => { [service, browser] = await Promise.all([serve(), browse()]); });
after(async () => {
  await browser?.close();
  await service?.stop();
});

const limit = { timeout: 90_000 };
const shows = async (locator, text) => {
  await locator.filter({ hasText: text }).first().waitFor();
};

test("a report that is begun on a phone without a signal arrives", limit, async () => {
  const to = await line(service.url);
  const { context, faults } = await open(browser, phone);
  try {
    const page = await context.newPage();
    await go(page, to.url + "/inspect");
    const f = form(page);
    await page.getByLabel("Name of the vehicle").fill("yard-01");
    await f.choice(page, "Fuel", "petrol").tap();
    await f.choice(page, "Valve drive", "belt").tap();
    const belt = await f.open("Timing drive", "Timing belt");
    await f.choice(belt, "Fraying", "yes").tap();
    await shows(f.said, "Kept on this phone");
    await page.getByText("This form opens without a signal").waitFor();

    to.cut();
    await context.setOffline(true);
    await f.choice(belt, "Cracked", "no").tap();
    const tyres = await f.open("Wheels and tyres", "Tyres");
    await tyres.getByLabel("Tread", { exact: true }).fill("2,5");
    await tyres.getByLabel("Week and year of making, of the oldest", { exact: true }).fill("0914");
    await page.reload({ waitUntil: "load" });

    await shows(f.system("Timing drive"), "1 of 5 looked at");
    await f.open("Timing drive", "Timing belt");
    await shows(f.item("Timing belt"), "fraying yes (seen), cracked no (seen)");
    await f.open("Wheels and tyres", "Tyres");
    assert.equal(await page.getByLabel("Tread", { exact: true }).inputValue(), "2,5");
    assert.equal(await page.getByLabel("Name of the vehicle").inputValue(), "yard-01");
    await f.send.tap();
    await shows(f.said, "Waiting for signal");
    // Nothing has left the phone: it may still be changed.
    await page.getByRole("button", { name: "Change it again" }).tap();
    await f.choice(page, "Turbocharged", "no").tap();
    await f.send.tap();
    await shows(f.said, "Waiting for signal");
    await page.reload({ waitUntil: "load" });
    await shows(f.said, "Waiting for signal");

    to.mend();
    await context.setOffline(false);
    await shows(page.locator("[data-answer]"), "Accepted");
    await shows(page.locator('[data-job="done"]'), /First start: blocked, \d+ things in the way/);
    await page.getByRole("link", { name: "The vehicle's page" }).tap();
    await page.waitForURL("**/vehicles/yard-01?gate=first_start");
    await shows(page.locator(".rung.asked"), "blocked");
    assert.match(await page.locator(".title").innerText(), /1 report\b/);

    // What was sent: in the unit and by the methods that stood on the form.
    const stored = await (await context.request.get(to.url + "/v1/vehicles/yard-01")).json();
    assert.equal(stored.newest.verdict.state, "blocked");
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
    to.close();
  }
});

test("what is at fault is said where it is, and mended", limit, async () => {
  const { context, faults } = await open(browser, desk);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/inspect");
    const f = form(page);
    const summary = page.locator("[data-faults]");
    const focused = () => page.evaluate(() => document.activeElement.closest(".field, [data-faults], .fault")?.textContent ?? "");

    // What the form itself can see.
    const compression = await f.open("Engine internals", "Compression");
    await compression.getByLabel("Lowest", { exact: true }).fill("a lot");
    await f.send.click();
    await shows(summary, "2 things to mend");
    assert.match(await focused(), /2 things to mend/);
    await summary.getByRole("link", { name: "Name of the vehicle: has to be said" }).click();
    assert.match(await focused(), /Name of the vehicle/);
    assert.equal(await page.getByLabel("Name of the vehicle").getAttribute("aria-invalid"), "true");
    await page.keyboard.type("desk-01");
    assert.equal(await page.getByLabel("Name of the vehicle").getAttribute("aria-invalid"), null);
    await compression.getByLabel("Lowest", { exact: true }).fill("12");
    await compression.getByLabel("Highest", { exact: true }).fill("9");

    // What the service says of one field, and then of the whole.
    await page.getByLabel("VIN", { exact: true }).fill("IIIIIIIIIIIIIIIII");
    await page.getByLabel("Built", { exact: true }).fill("1996");
    const oil = await f.open("Lubrication", "Engine oil");
    await oil.locator("details.common > summary").click();
    await oil.getByLabel("Renewed on", { exact: true }).fill("1987");
    for (const s of ["Engine internals", "Lubrication"]) await f.system(s).locator("> summary").click();
    await f.send.click();
    await shows(f.said, "Refused");
    await shows(summary, "1 thing to mend");
    await summary.getByRole("link", { name: /^VIN: / }).click();
    await page.keyboard.press("ControlOrMeta+A");
    await page.keyboard.press("Delete");
    await f.send.click();
    await shows(summary, "2 things to mend");
    assert.match(await focused(), /2 things to mend/);
    const low = summary.getByRole("link", { name: /^Compression: the lowest compression is above the highest/ });
    await low.waitFor();
    assert.notEqual(await f.system("Engine internals").getAttribute("open"), null, "a closed section with a fault in it is opened");
    assert.deepEqual(await barriers(page), []);
    await summary.getByRole("link", { name: /^Engine oil, renewed on: / }).click();
    assert.match(await focused(), /Renewed on/);
    await page.keyboard.press("ControlOrMeta+A");
    await page.keyboard.type("20260501");
    await compression.getByLabel("Highest", { exact: true }).fill("13");

    // The draft is the same after the page was read again, with what is still at fault.
    await page.reload({ waitUntil: "load" });
    await f.open("Engine internals", "Compression");
    assert.equal(await compression.getByLabel("Highest", { exact: true }).inputValue(), "13");
    await f.send.click();
    await shows(page.locator("[data-answer]"), "Accepted");
    await shows(page.locator('[data-job="done"]'), "First start");
    assert.deepEqual(await barriers(page), []);
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
});

test("a follow-up clears what stood in the way, and the vehicle's page shows it by itself", limit, async () => {
  const { context, faults } = await open(browser, phone);
  try {
    const watching = await context.newPage();
    await go(watching, service.url + "/vehicles/marrick-tern-01?gate=crank");
    const rung = watching.locator(".rung.asked");
    await shows(rung, "blocked");
    await watching.evaluate(() => { globalThis.before = true; });

    const page = await context.newPage();
    await go(page, service.url + "/vehicles/marrick-tern-01/inspect?gate=crank");
    const f = form(page);
    const card = page.locator("li.blocker", { hasText: "Timing belt" });
    await card.getByRole("button", { name: "This is done" }).tap();
    assert.equal(await page.evaluate(() => localStorage.length && Object.keys(localStorage).some((k) => k.startsWith("laidup.draft."))), false, "nothing is said before the method is");
    await card.getByRole("button", { name: /^documented/ }).tap();
    await shows(card, "Said: renewed on");
    assert.equal(await card.getByLabel("Renewed on", { exact: true }).inputValue(), await page.getByLabel("Date of the inspection").inputValue());
    // The same field in the form below follows.
    await f.open("Timing drive", "Timing belt");
    await shows(f.item("Timing belt"), /renewed on \d{4}-\d\d-\d\d \(documented\)/);
    // What the vehicle has not is not asked for.
    assert.equal(await f.item("Timing chain").isVisible(), false);
    const [request] = await Promise.all([page.waitForRequest((r) => r.method() === "POST"), f.send.tap()]);
    const body = request.postDataJSON();
    assert.deepEqual(Object.keys(body).sort(), ["inspection", "observations", "schema", "vehicle"]);
    assert.deepEqual(body.vehicle, { reference: "marrick-tern-01" });
    assert.match(request.headers()["idempotency-key"], /^[0-9a-f]{32}$/);
    await shows(page.locator("[data-answer]"), "Accepted");
    await shows(page.locator('[data-job="done"]'), "Crank:");

    await watching.locator(".rung.asked:not(.blocked)").waitFor({ timeout: 20_000 });
    assert.equal(await watching.evaluate(() => globalThis.before), undefined);
    await shows(watching.locator(".title"), "2 reports");
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
});

test("what was measured is not filled in by a tap", limit, async () => {
  const { context } = await open(browser, phone);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/vehicles/marrick-tern-01/inspect?gate=first_start");
    const card = page.locator("li.blocker", { hasText: "Oil pressure" });
    await card.getByRole("button", { name: "This is done" }).tap();
    await card.getByRole("button", { name: /^tested/ }).tap();
    await shows(card, "Still to be filled in: on crank");
    assert.equal(await card.getByLabel("On crank", { exact: true }).inputValue(), "");
    await card.getByLabel("Unit: On crank").selectOption("[psi]");
    await card.getByLabel("On crank", { exact: true }).fill("22");
    await shows(card, "on crank 22 psi (tested)");
    // The unit is remembered on the phone.
    await page.reload({ waitUntil: "load" });
    await shows(card, "on crank 22 psi (tested)");
    await card.getByRole("button", { name: "Take it back" }).tap();
    await card.getByRole("button", { name: "This is done" }).waitFor();
    await card.getByRole("button", { name: "This is done" }).tap();
    await card.getByRole("button", { name: /^tested/ }).tap();
    assert.equal(await card.getByLabel("Unit: On crank").inputValue(), "[psi]");
  } finally {
    await context.close();
  }
});

test("only what is on the vehicle is asked for, as its facts become known", limit, async () => {
  const { context } = await open(browser, desk);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/inspect");
    const f = form(page);
    await f.system("Ignition").locator("> summary").click();
    await f.item("Spark plugs").waitFor();
    await f.item("Glow plugs").waitFor(); // not known: it may be there
    const distributor = await f.open("Ignition", "Distributor");
    await f.choice(distributor, "Tracking", "yes").click();
    await f.choice(page, "Fuel", "diesel").click();
    await f.item("Spark plugs").waitFor({ state: "hidden" });
    await f.item("Glow plugs").waitFor();
    await f.choice(page, "Fuel", "petrol").click();
    await f.item("Spark plugs").waitFor();
    await f.item("Glow plugs").waitFor({ state: "hidden" });
    await f.choice(page, "Layout", "motorcycle").click();
    await f.system("Structure").waitFor({ state: "hidden" });
    await f.choice(page, "Ignition", "coil on plug").click();
    await distributor.waitFor({ state: "hidden" });
    await shows(page.locator("[data-left]"), "1 finding is on an item that this vehicle has not");
  } finally {
    await context.close();
  }
});

test("a report whose answer was lost counts once", limit, async () => {
  const { context } = await open(browser, { ...desk, serviceWorkers: "block" });
  try {
    const page = await context.newPage();
    await go(page, service.url + "/inspect");
    const f = form(page);
    await page.getByLabel("Name of the vehicle").fill("lost-01");
    let lost = 0;
    await page.route("**/v1/reports*", async (route) => {
      if (lost++ > 0) return route.continue();
      await route.fetch();
      await route.abort("connectionreset");
    });
    await f.send.click();
    // It waits before the first try as well, and may then still be changed.
    await shows(page.locator("[data-left]"), "It has been sent once");
    await shows(f.said, "Waiting for signal");
    assert.equal(await page.getByRole("button", { name: "Change it again" }).count(), 0);
    await page.evaluate(() => dispatchEvent(new Event("online")));
    await shows(page.locator("[data-answer]"), "Accepted");
    const vehicle = await (await context.request.get(service.url + "/v1/vehicles/lost-01")).json();
    assert.equal(vehicle.reports, 1);
  } finally {
    await context.close();
  }
});

test("a report goes under nobody's name but that of who began it", limit, async () => {
  const { context } = await open(browser, { ...desk, serviceWorkers: "block" });
  try {
    const page = await context.newPage();
    await go(page, service.url + "/inspect");
    const f = form(page);
    await page.getByLabel("Name of the vehicle").fill("theirs-01");
    let posted = 0;
    page.on("request", (r) => { if (r.method() === "POST") posted++; });
    // Somebody of another organisation has signed in on the same phone since, and then nobody has.
    const answers = ['<div data-inspect="harrow-lane"></div>', "<p>sign in</p>"];
    await page.route((url) => url.pathname === "/inspect", (route) => (answers.length ? route.fulfill({ contentType: "text/html", body: answers.shift() }) : route.continue()));
    await f.send.click();
    await shows(f.said, "You have signed in for another organisation: sign in for workshop");
    await page.evaluate(() => dispatchEvent(new Event("online")));
    await shows(f.said, "you have to sign in again");
    assert.match(await f.said.getByRole("link", { name: "Sign in" }).getAttribute("href"), /^\/sign-in\?next=%2Finspect$/);
    assert.equal(posted, 0);
    await page.evaluate(() => dispatchEvent(new Event("online")));
    await shows(page.locator("[data-answer]"), "Accepted");
    assert.equal(posted, 1);
  } finally {
    await context.close();
  }
});

test("a draft goes into a file and comes back on another phone", limit, async () => {
  const folder = await mkdtemp(join(tmpdir(), "laidup-drafts-"));
  try {
    const one = await open(browser, { ...desk, acceptDownloads: true });
    const page = await one.context.newPage();
    await go(page, service.url + "/inspect");
    await page.getByLabel("Name of the vehicle").fill("file-01");
    const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", { name: "Save draft to a file" }).click()]);
    assert.equal(download.suggestedFilename(), "laidup-file-01.json");
    const path = join(folder, "draft.json");
    await download.saveAs(path);
    assert.equal(JSON.parse(await readFile(path, "utf8")).head.reference, "file-01");
    await one.context.close();

    const other = await open(browser, desk);
    const there = await other.context.newPage();
    await go(there, service.url + "/inspect");
    await there.locator("input[type=file]").setInputFiles(join(import.meta.dirname ?? ".", "package.json"));
    await shows(form(there).said, "That file is not a draft");
    await there.locator("input[type=file]").setInputFiles(path);
    await shows(form(there).said, "Loaded");
    assert.equal(await there.getByLabel("Name of the vehicle").inputValue(), "file-01");

    // Another is begun beside it; the first is on the list, and can be thrown away.
    await go(there, service.url + "/vehicles/corvane-dale-07/inspect");
    await shows(there.locator("[data-kept]"), "file-01");
    await there.getByRole("link", { name: "Go on with it" }).click();
    await there.getByLabel("Name of the vehicle").waitFor();
    assert.equal(await there.getByLabel("Name of the vehicle").inputValue(), "file-01");
    await go(there, service.url + "/vehicles/corvane-dale-07/inspect");
    await there.getByRole("button", { name: "Throw away" }).click();
    await there.getByRole("button", { name: "Throw away: sure?" }).click();
    await shows(form(there).said, "Thrown away");
    assert.deepEqual(other.faults, []);
    await other.context.close();
  } finally {
    await rm(folder, { recursive: true, force: true });
  }
});

test("without HTTPS, and without scripts, it is said what that means", limit, async () => {
  const plain = await open(browser, phone);
  await plain.context.addInitScript(() => {
    // As on plain HTTP to another machine.
    Object.defineProperty(globalThis, "isSecureContext", { value: false });
    delete Navigator.prototype.serviceWorker;
    delete Navigator.prototype.locks;
    delete Crypto.prototype.randomUUID;
  });
  const page = await plain.context.newPage();
  await go(page, service.url + "/inspect");
  await page.getByText("Without HTTPS this form does not open without a signal").waitFor();
  await page.getByLabel("Name of the vehicle").fill("plain-01");
  await form(page).send.tap();
  await shows(page.locator("[data-answer]"), "Accepted");
  assert.deepEqual(plain.faults, []);
  await plain.context.close();

  const bare = await open(browser, { ...phone, javaScriptEnabled: false });
  const there = await bare.context.newPage();
  await go(there, service.url + "/inspect");
  await there.getByText("This form is built in the browser and needs scripts").waitFor();
  await bare.context.close();

  const full = await open(browser, phone);
  await full.context.addInitScript(() => { Storage.prototype.setItem = () => { throw new DOMException("full", "QuotaExceededError"); }; });
  const last = await full.context.newPage();
  await go(last, service.url + "/inspect");
  await shows(form(last).said, "This phone keeps nothing for this page");
  await last.getByLabel("Name of the vehicle").fill("full-01");
  await form(last).send.tap();
  await shows(last.locator("[data-answer]"), "Accepted");
  await full.context.close();
});

test("everything can be hit with a thumb, and reached with the keys", limit, async () => {
  const { context } = await open(browser, phone);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/vehicles/marrick-tern-01/inspect?gate=first_start");
    const f = form(page);
    await page.getByRole("button", { name: "This is done" }).first().tap();
    const coolant = await f.open("Cooling", "Coolant");
    await coolant.locator("details.common > summary").tap();
    const small = await page.evaluate(() => [...document.querySelectorAll(".inspect :is(button, a.button, summary, select, textarea, input:not([type=radio]):not([type=file]), .chip)")]
      .filter((e) => e.getClientRects().length > 0 && (e.getBoundingClientRect().height < 56 || e.getBoundingClientRect().width < 44))
      .map((e) => `${e.outerHTML.slice(0, 80)} ${e.getBoundingClientRect().height}`));
    assert.deepEqual(small, []);
    assert.equal(await page.evaluate(() => document.documentElement.scrollWidth), 360);
    assert.equal(await coolant.getByLabel("Freezing point", { exact: true }).getAttribute("inputmode"), "decimal");

    // Keys alone: a choice, and the method beside it.
    await f.choice(coolant, "Level", "not looked at").locator("xpath=..").locator("input").focus();
    await page.keyboard.press("ArrowDown");
    await shows(coolant, "level full (seen)");
    await page.keyboard.press("Tab");
    await page.keyboard.press("f");
    await shows(coolant, "level full (felt)");
  } finally {
    await context.close();
  }
});
