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
// kept says whether the phone keeps a draft.
const kept = (page) => page.evaluate(() => Object.keys(localStorage).some((k) => k.startsWith("laidup.draft.")));
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
    await page.getByLabel("Reference of the vehicle").fill("yard-01");
    await f.choice(page, "Fuel", "petrol").tap();
    await f.choice(page, "Valve drive", "belt").tap();
    const belt = await f.open("Timing drive", "Timing belt");
    await f.choice(belt, "Fraying", "yes").tap();
    await f.by(belt, "Fraying").selectOption("seen");
    await shows(f.said, "Saved on this phone");
    await page.getByText("This form also opens offline").waitFor();

    to.cut();
    await context.setOffline(true);
    await f.choice(belt, "Cracked", "no").tap();
    await f.by(belt, "Cracked").selectOption("felt");
    const tyres = await f.open("Wheels and tyres", "Tyres");
    await tyres.getByLabel("How all of this is known").selectOption("documented");
    await tyres.getByLabel("Tread", { exact: true }).fill("2,5");
    await tyres.getByLabel("Week and year of making, of the oldest", { exact: true }).fill("0914");
    await page.reload({ waitUntil: "load" });

    await shows(f.system("Timing drive"), "1 of 5 inspected");
    await f.open("Timing drive", "Timing belt");
    await shows(f.item("Timing belt"), "fraying yes (seen), cracked no (felt)");
    await f.open("Wheels and tyres", "Tyres");
    assert.equal(await page.getByLabel("Tread", { exact: true }).inputValue(), "2,5");
    assert.equal(await page.getByLabel("Reference of the vehicle").inputValue(), "yard-01");
    await f.send.tap();
    await shows(f.said, "Waiting for a connection");
    // Nothing has left the phone: it may still be changed.
    await page.getByRole("button", { name: "Edit" }).tap();
    await f.choice(page, "Turbocharged", "no").tap();
    await f.send.tap();
    await shows(f.said, "Waiting for a connection");
    await page.reload({ waitUntil: "load" });
    await shows(f.said, "Waiting for a connection");

    to.mend();
    await context.setOffline(false);
    await shows(page.locator("[data-answer]"), "Accepted");
    await shows(page.locator('[data-job="done"]'), /First start: blocked, \d+ blockers/);
    await page.getByRole("link", { name: "Vehicle page" }).tap();
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
    await f.by(compression, "Lowest").selectOption("measured");
    await f.send.click();
    await shows(summary, "2 things to fix");
    assert.match(await focused(), /2 things to fix/);
    await summary.getByRole("link", { name: "Reference of the vehicle: is required" }).click();
    assert.match(await focused(), /Reference of the vehicle/);
    assert.equal(await page.getByLabel("Reference of the vehicle").getAttribute("aria-invalid"), "true");
    await page.keyboard.type("desk-01");
    assert.equal(await page.getByLabel("Reference of the vehicle").getAttribute("aria-invalid"), null);
    await compression.getByLabel("Lowest", { exact: true }).fill("12");
    await compression.getByLabel("Highest", { exact: true }).fill("9");
    await f.by(compression, "Highest").selectOption("measured");

    // What the service says of one field, and then of the whole.
    await page.getByLabel("VIN", { exact: true }).fill("IIIIIIIIIIIIIIIII");
    await page.getByLabel("Built", { exact: true }).fill("1996");
    const oil = await f.open("Lubrication", "Engine oil");
    await oil.locator("details.common > summary").click();
    await oil.getByLabel("Renewed on", { exact: true }).fill("1987");
    // Of nothing it is taken for given how it is known.
    await f.send.click();
    await summary.getByRole("link", { name: "Engine oil, renewed on: choose how it is known" }).click();
    await f.by(oil, "Renewed on").selectOption("documented");
    for (const s of ["Engine internals", "Lubrication"]) await f.system(s).locator("> summary").click();
    await f.send.click();
    await shows(f.said, "Refused");
    await shows(summary, "1 thing to fix");
    await summary.getByRole("link", { name: /^VIN: / }).click();
    await page.keyboard.press("ControlOrMeta+A");
    await page.keyboard.press("Delete");
    await f.send.click();
    await shows(summary, "2 things to fix");
    assert.match(await focused(), /2 things to fix/);
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
    await go(watching, service.url + "/vehicles/brennick-wren-03?gate=yard_move");
    const rung = watching.locator(".rung.asked");
    await shows(rung, "unproven");
    await watching.evaluate(() => { globalThis.before = true; });

    const page = await context.newPage();
    await go(page, service.url + "/vehicles/brennick-wren-03/inspect?gate=yard_move");
    const f = form(page);
    const card = page.locator("li.blocker", { hasText: "Friction dust" });
    await page.getByLabel("Date of the inspection").fill("2026-03-23");
    await page.reload({ waitUntil: "load" }); // a date alone is kept, too
    await card.getByRole("button", { name: "Enter what was done" }).tap();
    await f.choice(card, "Asbestos ruled out", "yes").tap();
    await shows(card, "Still needed to clear it: how you know asbestos ruled out");
    await f.by(card, "Asbestos ruled out").selectOption("tested");
    await shows(card, "Entered: asbestos ruled out yes (tested)");
    assert.doesNotMatch(await card.innerText(), /Still needed to clear it/);
    // The same field in the form below follows.
    await f.open("Workplace", "Friction dust");
    await shows(f.item("Friction dust"), "asbestos ruled out yes (tested)");
    // What the vehicle has not is not asked for.
    await f.open("Timing drive", "Timing chain");
    assert.equal(await f.item("Timing belt").isVisible(), false);
    const [request] = await Promise.all([page.waitForRequest((r) => r.method() === "POST"), f.send.tap()]);
    const body = request.postDataJSON();
    assert.deepEqual(Object.keys(body).sort(), ["inspection", "observations", "schema", "vehicle"]);
    assert.deepEqual(body.vehicle, { reference: "brennick-wren-03" });
    assert.match(request.headers()["idempotency-key"], /^[0-9a-f]{32}$/);
    await shows(page.locator("[data-answer]"), "Accepted");
    await shows(page.locator('[data-job="done"]'), "Yard move: clear");

    await watching.locator(".rung.asked.clear").waitFor({ timeout: 20_000 });
    assert.equal(await watching.evaluate(() => globalThis.before), undefined);
    await shows(watching.locator(".title"), "4 reports");
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
});

test("what was measured is entered by who measured it, and by a method that fits", limit, async () => {
  const { context } = await open(browser, phone);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/vehicles/corvane-dale-07/inspect?gate=first_start");
    const f = form(page);
    const card = page.locator("li.blocker", { has: page.locator("h3", { hasText: "Oil pressure" }) });
    const methods = (select) => select.locator("option").evaluateAll((all) => all.map((o) => o.value));
    await card.getByRole("button", { name: "Enter what was done" }).tap();
    await shows(card, /Still needed to clear it: galleries primed from outside, pressure on the starter, without firing,/);
    // Nobody sees a pressure, and nobody is told one: not where it lets an engine be started.
    assert.deepEqual(await methods(f.by(card, "Pressure on the starter, without firing")), ["", "measured", "tested", "documented"]);
    assert.deepEqual(await methods(f.by(card, "Galleries primed from outside")), ["", "tested", "documented"]);
    assert.equal(await f.by(card, "Pressure on the starter, without firing").inputValue(), "");
    assert.equal(await card.getByLabel("Pressure on the starter, without firing", { exact: true }).inputValue(), "");
    assert.equal(await card.locator("input:checked").evaluateAll((all) => all.every((i) => i.value === "")), true);
    await card.getByLabel("Unit: Pressure on the starter, without firing").selectOption("[psi]");
    await card.getByLabel("Pressure on the starter, without firing", { exact: true }).fill("22");
    await f.by(card, "Pressure on the starter, without firing").selectOption("measured");
    await shows(card, /Entered: pressure on the starter, without firing 22 psi \(measured\)\. Still needed to clear it: galleries primed/);
    // What the other form takes for a rumour stays one here.
    const below = await f.open("Lubrication", "Oil pressure");
    await f.by(below, "Pressure on the starter, without firing").selectOption("told");
    await shows(card, "This does not clear it. It is sent as entered: pressure on the starter, without firing, which is only hearsay.");
    assert.equal(await f.by(card, "Pressure on the starter, without firing").inputValue(), "told");
    await f.by(card, "Pressure on the starter, without firing").selectOption("measured");
    assert.equal(await f.by(below, "Pressure on the starter, without firing").inputValue(), "measured");
    // The unit is remembered on the phone.
    await page.reload({ waitUntil: "load" });
    await shows(card, "without firing 22 psi (measured)");
    await card.getByRole("button", { name: "Undo" }).tap();
    await card.getByRole("button", { name: "Enter what was done" }).tap();
    assert.equal(await card.getByLabel("Unit: Pressure on the starter, without firing").inputValue(), "[psi]");
    assert.equal(await f.by(card, "Pressure on the starter, without firing").inputValue(), "");
  } finally {
    await context.close();
  }
});

test("taps alone find nothing, and clear nothing", limit, async () => {
  const { context, faults } = await open(browser, phone);
  try {
    const page = await context.newPage();
    let posted = 0;
    page.on("request", (r) => { if (r.method() === "POST") posted++; });
    const gates = async () => (await (await context.request.get(service.url + "/v1/vehicles/corvane-dale-07/readiness?gate=road_test")).json()).blockers.length;
    const before = await gates();
    await go(page, service.url + "/vehicles/corvane-dale-07/inspect?gate=road_test");
    const f = form(page);
    const cards = page.locator("li.blocker");
    assert.equal(await cards.count(), before);
    // Every card is opened, and every method chosen that can be: nothing of that is a finding.
    for (let i = 0; i < before; i++) {
      const card = cards.nth(i);
      await card.getByRole("button", { name: "Enter what was done" }).tap();
      assert.equal(await card.locator("input:not([type=radio])").evaluateAll((all) => all.some((e) => e.value !== "")), false, "a value stands there that nobody entered");
      assert.equal(await card.locator("input:checked").evaluateAll((all) => all.some((e) => e.value !== "")), false, "something is chosen that nobody chose");
      assert.equal(await card.locator("select:not([aria-label])").evaluateAll((all) => all.some((e) => e.value !== "")), false, "a method stands there that nobody chose");
    }
    assert.equal(await kept(page), false);
    for (let i = 0; i < before; i++) {
      for (const select of await cards.nth(i).locator(".field > .by select").all()) await select.selectOption({ index: 1 });
    }
    await f.send.tap();
    await shows(page.locator("[data-faults]"), "is empty. Enter what was found");
    assert.equal(posted, 0);
    // What is said of one thing is sent, and nothing beside it.
    const card = cards.filter({ has: page.locator("fieldset .chip") }).first();
    const chosen = card.locator("fieldset").first();
    const title = await chosen.locator("legend").innerText();
    await chosen.locator(".chip").last().tap();
    await shows(card, `${title[0].toLowerCase()}${title.slice(1)}`);
    const [request] = await Promise.all([page.waitForRequest((r) => r.method() === "POST"), f.send.tap()]);
    const { observations } = request.postDataJSON();
    assert.equal(observations.length, 1);
    assert.equal(Object.keys(observations[0].found).length, 1, JSON.stringify(observations));
    await shows(page.locator('[data-job="done"]'), "Road test:");
    assert.ok(await gates() >= before, "something was cleared by what nobody found");
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
});

test("what does not clear is said and sent as what it is", limit, async () => {
  const { context } = await open(browser, phone);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/vehicles/marrick-tern-01/inspect?gate=first_start");
    const f = form(page);
    const card = page.locator("li.blocker.defect", { has: page.locator("h3", { hasText: /Fuel\b/ }) });
    await card.getByRole("button", { name: "Enter what was done" }).tap();
    await card.getByLabel("How all of this is known").selectOption("felt");
    for (const title of ["Smell", "Water found", "Wrong fuel"]) assert.equal(await f.by(card, title).inputValue(), "felt", title);
    assert.equal(await f.by(card, "Renewed on").inputValue(), "", "a date is not felt");
    await f.choice(card, "Smell", "stale").tap();
    await f.choice(card, "Water found", "yes").tap();
    await shows(card, "This does not clear it. It is sent as entered: smell stale, water found yes.");
    const [request] = await Promise.all([page.waitForRequest((r) => r.method() === "POST"), f.send.tap()]);
    assert.deepEqual(request.postDataJSON().observations, [{ item: "fuel", method: "felt", found: { smell: "stale", water_found: true } }]);
    await shows(page.locator('[data-job="done"]'), "First start: blocked");
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
    await shows(page.locator("[data-left]"), "1 finding is on an item that this vehicle does not have");
  } finally {
    await context.close();
  }
});

test("what is said of one place says nothing of the others", limit, async () => {
  const { context, faults } = await open(browser, phone);
  try {
    const page = await context.newPage();
    const posted = async () => (await Promise.all([page.waitForRequest((r) => r.method() === "POST"), f.send.tap()]))[0].postDataJSON();
    const inTheWay = async () => {
      const { blockers } = await (await context.request.get(service.url + "/v1/vehicles/marrick-tern-01/readiness?gate=yard_move")).json();
      return blockers.filter((b) => b.item === "brake_hoses" && b.kind === "defect").map((b) => (b.at || []).join());
    };
    assert.deepEqual(await inTheWay(), ["front_left"]);

    // All alike is what a field is of, until somebody says where.
    await go(page, service.url + "/vehicles/marrick-tern-01/inspect?gate=yard_move");
    const f = form(page);
    const hoses = await f.open("Brakes", "Brake hoses");
    const at = (place) => hoses.locator("fieldset.where .chip").getByText(place);
    assert.deepEqual(await hoses.locator("fieldset.where .chip").allInnerTexts(), ["All alike", "Front left", "Front right", "Rear left", "Rear right"]);
    const shown = hoses.locator(".finds > .finds:not([hidden])");
    await f.choice(shown, "Rubber", "sound").tap();
    await f.by(shown, "Rubber").selectOption("tested");
    await at("Rear right").tap();
    assert.equal(await shown.locator("input:checked").evaluateAll((all) => all.every((i) => i.value === "")), true, "what was said of all alike stands at one place");
    await f.choice(shown, "Rubber", "sound").tap();
    await f.by(shown, "Rubber").selectOption("seen");
    await shows(f.item("Brake hoses"), "rubber sound (tested), rear right: rubber sound (seen)");
    await at("All alike").waitFor();
    assert.deepEqual(await hoses.locator("fieldset.where .chip").allInnerTexts(), ["All alike (1)", "Front left", "Front right", "Rear left", "Rear right (1)"]);
    // The draft is the same after the page was read again.
    await page.reload({ waitUntil: "load" });
    await f.open("Brakes", "Brake hoses");
    await shows(f.item("Brake hoses"), "rubber sound (tested), rear right: rubber sound (seen)");
    assert.deepEqual(await barriers(page), []);
    assert.deepEqual((await posted()).observations, [
      { item: "brake_hoses", method: "tested", found: { rubber: "sound" } },
      { item: "brake_hoses", at: ["rear_right"], method: "seen", found: { rubber: "sound" } },
    ]);
    await shows(page.locator('[data-job="done"]'), "Yard move:");
    assert.deepEqual(await inTheWay(), ["front_left"], "a sound twin clears it");

    // The card of what is in the way asks of the place that it is about.
    await go(page, service.url + "/vehicles/marrick-tern-01/inspect?gate=yard_move");
    const card = page.locator("li.blocker.defect", { hasText: "Brake hoses (front left)" });
    await card.getByRole("button", { name: "Enter what was done" }).tap();
    await card.getByRole("button", { name: /^same day/ }).tap();
    await f.by(card, "Renewed on").selectOption("documented");
    await f.open("Brakes", "Brake hoses");
    await shows(f.item("Brake hoses"), /front left: renewed on \d{4}-\d\d-\d\d \(documented\)/);
    const { observations } = await posted();
    assert.deepEqual(observations.map((o) => [o.item, o.at]), [["brake_hoses", ["front_left"]]]);
    await shows(page.locator('[data-job="done"]'), "Yard move:");
    assert.deepEqual(await inTheWay(), []);
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
});

test("what was never there, a part by itself and a fact are said, too", limit, async () => {
  const { context, faults } = await open(browser, desk);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/inspect");
    const f = form(page);
    await page.getByLabel("Reference of the vehicle").fill("bare-02");
    await f.choice(page, "Ignition", "points").click();
    const isolator = await f.open("Workplace", "Battery isolator");
    await isolator.locator("details.common > summary").click();
    await f.choice(isolator, "Fitted", "this vehicle never had one").click();
    await f.by(isolator, "Fitted").selectOption("seen");
    const distributor = await f.open("Ignition", "Distributor");
    await distributor.locator("details.common > summary").click();
    await distributor.getByLabel("Cap renewed on", { exact: true }).fill("2026-05");
    await f.by(distributor, "Cap renewed on").selectOption("documented");
    // There is none of what something was found on: the form says so before the service does.
    await f.choice(isolator, "The battery can be cut off within reach", "yes").click();
    await f.by(isolator, "The battery can be cut off within reach").selectOption("seen");
    await f.send.click();
    await shows(page.locator("[data-faults]"), "Battery isolator, fitted: either it was never fitted");
    await f.choice(isolator, "The battery can be cut off within reach", "not inspected").click();
    const [request] = await Promise.all([page.waitForRequest((r) => r.method() === "POST"), f.send.click()]);
    assert.deepEqual(request.postDataJSON().observations, [
      { item: "distributor", method: "documented", part: "cap", found: { renewed: "2026-05" } },
      { item: "battery_isolator", method: "seen", fitted: false },
    ]);
    await shows(page.locator("[data-answer]"), "Accepted");
    await shows(page.locator('[data-job="done"]'), "First start");

    // How many there are of what is counted follows from the fact.
    await go(page, service.url + "/inspect");
    await page.getByRole("button", { name: "Start another report" }).or(page.getByLabel("Reference of the vehicle")).first().waitFor();
    const plugs = await f.open("Ignition", "Spark plugs");
    await page.getByLabel("Cylinders", { exact: true }).fill("3");
    await plugs.locator("fieldset.where").waitFor();
    assert.deepEqual(await plugs.locator("fieldset.where .chip").allInnerTexts(), ["All alike", "Cylinder 1", "Cylinder 2", "Cylinder 3"]);
    assert.deepEqual(faults, []);
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
    await page.getByLabel("Reference of the vehicle").fill("lost-01");
    let lost = 0;
    await page.route("**/v1/reports*", async (route) => {
      if (lost++ > 0) return route.continue();
      await route.fetch();
      await route.abort("connectionreset");
    });
    await f.send.click();
    // It waits before the first try as well, and may then still be changed.
    await shows(page.locator("[data-left]"), "It was sent, but no answer came");
    await shows(f.said, "Waiting for a connection");
    assert.equal(await page.getByRole("button", { name: "Edit" }).count(), 0);
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
    await page.getByLabel("Reference of the vehicle").fill("theirs-01");
    let posted = 0;
    page.on("request", (r) => { if (r.method() === "POST") posted++; });
    // Somebody of another organisation has signed in on the same phone since, and then nobody has.
    const answers = ['<div data-inspect="harrow-lane"></div>', "<p>sign in</p>"];
    await page.route((url) => url.pathname === "/inspect", (route) => (answers.length ? route.fulfill({ contentType: "text/html", body: answers.shift() }) : route.continue()));
    await f.send.click();
    await shows(f.said, "You are signed in to another organisation. Sign in to workshop");
    await page.evaluate(() => dispatchEvent(new Event("online")));
    await shows(f.said, "Sign in again");
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
    await page.getByLabel("Reference of the vehicle").fill("file-01");
    const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", { name: "Save draft to a file" }).click()]);
    assert.equal(download.suggestedFilename(), "laidup-file-01.json");
    const path = join(folder, "draft.json");
    await download.saveAs(path);
    assert.equal(JSON.parse(await readFile(path, "utf8")).head.reference, "file-01");
    await one.context.close();

    const other = await open(browser, desk);
    const there = await other.context.newPage();
    await go(there, service.url + "/inspect");
    await there.locator("input[type=file][accept*=json]").setInputFiles(join(import.meta.dirname ?? ".", "package.json"));
    await shows(form(there).said, "This file is not a draft");
    await there.locator("input[type=file][accept*=json]").setInputFiles(path);
    await shows(form(there).said, "Loaded");
    assert.equal(await there.getByLabel("Reference of the vehicle").inputValue(), "file-01");

    // Another is begun beside it; the first is on the list, and can be thrown away.
    await go(there, service.url + "/vehicles/corvane-dale-07/inspect");
    await shows(there.locator("[data-kept]"), "file-01");
    await there.getByRole("link", { name: "Continue" }).click();
    await there.getByLabel("Reference of the vehicle").waitFor();
    assert.equal(await there.getByLabel("Reference of the vehicle").inputValue(), "file-01");
    await go(there, service.url + "/vehicles/corvane-dale-07/inspect");
    await there.getByRole("button", { name: "Discard" }).click();
    await there.getByRole("button", { name: "Discard: sure?" }).click();
    await shows(form(there).said, "Discarded");
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
  await page.getByText("Without HTTPS, this form does not open offline").waitFor();
  await page.getByLabel("Reference of the vehicle").fill("plain-01");
  await form(page).send.tap();
  await shows(page.locator("[data-answer]"), "Accepted");
  assert.deepEqual(plain.faults, []);
  await plain.context.close();

  const bare = await open(browser, { ...phone, javaScriptEnabled: false });
  const there = await bare.context.newPage();
  await go(there, service.url + "/inspect");
  await there.getByText("This form needs JavaScript").waitFor();
  await bare.context.close();

  const full = await open(browser, phone);
  await full.context.addInitScript(() => { Storage.prototype.setItem = () => { throw new DOMException("full", "QuotaExceededError"); }; });
  const last = await full.context.newPage();
  await go(last, service.url + "/inspect");
  await shows(form(last).said, "This phone does not store anything for this page");
  await last.getByLabel("Reference of the vehicle").fill("full-01");
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
    await page.getByRole("button", { name: "Enter what was done" }).first().tap();
    const coolant = await f.open("Cooling", "Coolant");
    await coolant.locator("details.common > summary").tap();
    const small = await page.evaluate(() => [...document.querySelectorAll(".inspect :is(button, a.button, summary, select, textarea, input:not([type=radio]):not([type=file]), .chip)")]
      .filter((e) => e.getClientRects().length > 0 && (e.getBoundingClientRect().height < 56 || e.getBoundingClientRect().width < 44))
      .map((e) => `${e.outerHTML.slice(0, 80)} ${e.getBoundingClientRect().height}`));
    assert.deepEqual(small, []);
    assert.equal(await page.evaluate(() => document.documentElement.scrollWidth), 360);
    assert.equal(await coolant.getByLabel("Freezing point", { exact: true }).getAttribute("inputmode"), "decimal");

    // Keys alone: a choice, and the method beside it.
    await f.choice(coolant, "Level", "not inspected").locator("xpath=..").locator("input").focus();
    await page.keyboard.press("ArrowDown");
    await shows(coolant, "level full (how it is known is missing)");
    await page.keyboard.press("Tab");
    await page.keyboard.press("f");
    await shows(coolant, "level full (felt)");
  } finally {
    await context.close();
  }
});

// A picture of one pixel, as a PNG.
const pixel = Buffer.from("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg==", "base64");
const waits = (page) => page.evaluate(() => new Promise((done) => {
  const opened = indexedDB.open("laidup", 1);
  opened.onsuccess = () => {
    const all = opened.result.transaction("photos").objectStore("photos").getAllKeys();
    all.onsuccess = () => { opened.result.close(); done(all.result.length); };
  };
}));

test("a photo that is taken without a signal is sent with its report", limit, async () => {
  const to = await line(service.url);
  const { context, faults } = await open(browser, phone);
  try {
    const page = await context.newPage();
    await go(page, to.url + "/inspect");
    const f = form(page);
    await page.getByLabel("Reference of the vehicle").fill("yard-photo");
    await page.getByText("This form also opens offline").waitFor();
    to.cut();
    await context.setOffline(true);

    const whole = page.getByLabel("Photos of the whole vehicle (JPEG, PNG or WebP)");
    assert.equal(await whole.getAttribute("capture"), "environment");
    await whole.setInputFiles({ name: "side.gif", mimeType: "image/gif", buffer: pixel });
    await page.getByText("side.gif cannot be sent").waitFor();
    await whole.setInputFiles({ name: "side.png", mimeType: "image/png", buffer: pixel });
    await page.locator(".taken", { hasText: "side.png" }).waitFor();
    await page.getByText("side.gif cannot be sent").waitFor({ state: "hidden" });
    const belt = await f.open("Timing drive", "Timing belt");
    const photo = belt.getByLabel("Photo (JPEG, PNG or WebP)");
    assert.equal(await photo.getAttribute("accept"), "image/jpeg,image/png,image/webp");
    assert.equal(await photo.getAttribute("capture"), "environment");
    await photo.setInputFiles({ name: "film.mp4", mimeType: "video/mp4", buffer: pixel });
    await shows(belt.locator(".fault"), "film.mp4 cannot be sent");
    await photo.setInputFiles({ name: "belt.png", mimeType: "image/png", buffer: pixel });
    await shows(belt.locator(".taken"), "belt.png");
    assert.equal(await belt.locator(".fault:visible").count(), 0);
    await photo.setInputFiles({ name: "thumb.png", mimeType: "image/png", buffer: pixel });
    await belt.getByRole("button", { name: "Remove thumb.png" }).tap();
    await belt.locator(".taken li", { hasText: "thumb.png" }).waitFor({ state: "detached" });
    // A photo alone says nothing that can be assessed.
    await f.send.tap();
    await shows(page.locator("[data-faults]"), "Timing belt: a photo needs a finding");
    await f.choice(belt, "Fraying", "yes").tap();
    await f.by(belt, "Fraying").selectOption("seen");
    assert.deepEqual(await barriers(page), []);
    await page.reload({ waitUntil: "load" });
    await f.open("Timing drive", "Timing belt");
    await shows(belt.locator(".taken"), "belt.png");
    await f.send.tap();
    await shows(f.said, "Waiting for a connection");

    to.mend();
    await context.setOffline(false);
    await shows(page.locator("[data-answer]"), "Accepted");
    const { reports } = await (await context.request.get(to.url + "/v1/vehicles/yard-photo/reports")).json();
    const posted = await (await context.request.get(to.url + "/v1/reports/" + reports[0].id)).json();
    const [seen] = posted.observations;
    assert.deepEqual(posted.photos, seen.photos); // it is the same picture
    assert.equal(seen.item, "timing_belt");
    assert.equal(seen.photos.length, 1);
    const stored = await context.request.get(to.url + "/v1/attachments/" + seen.photos[0]);
    assert.equal(stored.headers()["content-type"], "image/png");
    while ((await waits(page)) > 0); // what was sent is not kept here any more
    await page.locator('[data-job="done"]').waitFor();
    await page.getByRole("link", { name: "Vehicle page" }).tap();
    await page.locator("details:has(#reports) > summary").tap();
    const thumbnail = page.locator(".reports img").first();
    await thumbnail.scrollIntoViewIfNeeded();
    await page.waitForFunction((img) => img.complete && img.naturalWidth === 1, await thumbnail.elementHandle());
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
    to.close();
  }
});

test("a photo that the service refuses is said at its item, and nothing is sent without it", limit, async () => {
  const { context, faults } = await open(browser, phone);
  try {
    const page = await context.newPage();
    await go(page, service.url + "/inspect");
    const f = form(page);
    await page.getByLabel("Reference of the vehicle").fill("yard-no-photo");
    const belt = await f.open("Timing drive", "Timing belt");
    await f.choice(belt, "Fraying", "yes").tap();
    await f.by(belt, "Fraying").selectOption("seen");
    await belt.getByLabel("Photo (JPEG, PNG or WebP)").setInputFiles({ name: "renamed.jpg", mimeType: "image/jpeg", buffer: Buffer.from("this is no photo") });
    await belt.getByRole("button", { name: "Remove renamed.jpg" }).waitFor();
    await f.send.tap();
    await shows(f.said, "Refused");
    await shows(page.locator("[data-faults]"), /Timing belt: renamed.jpg: This is no photo/);
    assert.equal((await context.request.get(service.url + "/v1/vehicles/yard-no-photo")).status(), 404);
    await belt.getByRole("button", { name: "Remove renamed.jpg" }).tap();
    await f.send.tap();
    await shows(page.locator("[data-answer]"), "Accepted");
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
});
