// Takes the pictures of docs/pages.md from the demo: LAIDUP=... npm run pictures
// With "looks" every page at 390 and 1280 px in light, in the dark and as printed, into the folder looks beside them, which is not kept.
import { mkdir } from "node:fs/promises";
import { browse, desk, form, phone, serve } from "./service.js";

const folder = new URL("../../docs/pictures/", import.meta.url).pathname;
const [service, browser] = [await serve(), await browse()];

async function looks() {
  const into = folder + "looks/";
  await mkdir(into, { recursive: true });
  for (const [name, path] of Object.entries({
    vehicle: "/vehicles/marrick-tern-01?gate=crank", unproven: "/vehicles/corvane-dale-07", clear: "/vehicles/brennick-wren-03", vehicles: "/vehicles", bench: "/vehicles/marrick-tern-01/ready?gate=crank",
    comparison: "/compare?vehicle=marrick-tern-01&vehicle=brennick-wren-03&vehicle=corvane-dale-07", appraisal: "/vehicles/corvane-dale-07/appraisal", batches: "/batches",
    form: "/inspect", "follow-up": "/vehicles/marrick-tern-01/inspect?gate=first_start",
  })) {
    for (const width of [390, 1280]) {
      const page = await browser.newPage({ viewport: { width, height: 900 } });
      await page.goto(service.url + path, { waitUntil: "load", timeout: 20_000 });
      for (const [mode, media] of Object.entries({ light: { colorScheme: "light" }, dark: { colorScheme: "dark" }, print: { colorScheme: "light", media: "print" } })) {
        await page.emulateMedia(media);
        await page.screenshot({ path: `${into}${name}-${width}-${mode}.png`, fullPage: true });
      }
      await page.close();
    }
  }
}

try {
  if (process.argv[2] === "looks") await looks();
  else for (const [name, path, options, clip] of [
    ["vehicle", "/vehicles/marrick-tern-01?gate=crank", desk, 1300],
    ["dark", "/vehicles/brennick-wren-03", { ...phone, colorScheme: "dark" }, 1300],
    ["vehicles", "/vehicles?gate=road_test", desk, 1000],
    ["bench", "/vehicles/marrick-tern-01/ready?gate=crank", desk, 900],
    ["comparison", "/compare?vehicle=marrick-tern-01&vehicle=brennick-wren-03", desk, 900],
    ["form", "/inspect", phone, 1100],
    ["positions", "/vehicles/marrick-tern-01/inspect?gate=yard_move", phone, 1100],
    ["follow-up", "/vehicles/marrick-tern-01/inspect?gate=first_start", phone, 1100],
  ]) {
    const context = await browser.newContext({ ...options, viewport: { ...options.viewport, height: clip } });
    const page = await context.newPage();
    await page.goto(service.url + path, { waitUntil: "load", timeout: 20_000 });
    await page.waitForTimeout(500);
    if (name === "follow-up") { // an entry that is asked about
      const card = page.locator("li.blocker").nth(1);
      await card.getByRole("button", { name: "Enter what was done" }).click();
      await card.evaluate((e) => e.scrollIntoView());
    }
    if (name === "positions") { // what is said of one place
      const hoses = await form(page).open("Brakes", "Brake hoses");
      await hoses.getByText("Rear right", { exact: true }).click();
      await form(page).choice(hoses.locator(".finds > .finds:not([hidden])"), "Rubber", "hardened").click();
      await hoses.evaluate((e) => e.scrollIntoView());
    }
    await page.screenshot({ path: `${folder}${name}.png` });
    await context.close();
  }
} finally {
  await browser.close();
  await service.stop();
}
