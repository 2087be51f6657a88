// Takes the pictures of docs/pages.md from the demo: LAIDUP=... npm run pictures
import { mkdir } from "node:fs/promises";
import { browse, desk, form, phone, serve } from "./service.js";

const folder = new URL("../../docs/pictures/", import.meta.url).pathname;
await mkdir(folder, { recursive: true });
const [service, browser] = [await serve(), await browse()];
try {
  for (const [name, path, options, clip] of [
    ["vehicle", "/vehicles/marrick-tern-01", desk, 1500],
    ["dark", "/vehicles/brennick-wren-03", { ...desk, colorScheme: "dark" }, 900],
    ["vehicles", "/vehicles?gate=road_test", desk, 620],
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
