// What the tests of the pages share: the service on its demo, a line to it that can be cut, a browser.
import { spawn } from "node:child_process";
import { once } from "node:events";
import net from "node:net";
import { createInterface } from "node:readline";
import { readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";

const binary = process.env.LAIDUP;
if (!binary) throw new Error("LAIDUP has to say where the program is: go build -o /tmp/laidup ./cmd/laidup");

// serve starts the service with its demo vehicles.
export async function serve() {
  const process_ = spawn(binary, ["demo", "--addr", "127.0.0.1:0"], { stdio: ["ignore", "pipe", "inherit"] });
  const lines = createInterface({ input: process_.stdout });
  const late = setTimeout(() => process_.kill("SIGKILL"), 60_000);
  let url;
  for await (const line of lines) {
    const m = line.match(/^Serving at (http:\S+)/);
    if (m) {
      url = m[1];
      break;
    }
  }
  clearTimeout(late);
  if (!url) throw new Error("the service did not start");
  process_.stdout.resume();
  return {
    url,
    async stop() {
      process_.kill("SIGTERM");
      const hard = setTimeout(() => process_.kill("SIGKILL"), 5000);
      if (process_.exitCode === null) await once(process_, "exit");
      clearTimeout(hard);
    },
  };
}

// line is a line to the service that can be cut. A browser that is told to be offline tells its pages,
// but not its service workers: so the line is cut besides.
export async function line(to) {
  const { hostname, port } = new URL(to);
  const open = new Set();
  let whole = true;
  const server = net.createServer((near) => {
    if (!whole) return near.destroy();
    const far = net.connect(Number(port), hostname);
    for (const [s, other] of [[near, far], [far, near]]) {
      open.add(s);
      s.on("error", () => {}).on("close", () => { open.delete(s); other.destroy(); });
      s.pipe(other);
    }
  });
  await new Promise((done) => server.listen(0, "127.0.0.1", done));
  const cut = () => { whole = false; open.forEach((s) => s.destroy()); };
  return {
    url: "http://127.0.0.1:" + server.address().port,
    cut,
    mend() { whole = true; },
    close() { cut(); server.close(); },
  };
}

export function browse() {
  return chromium.launch({
    executablePath: process.env.CHROMIUM || "/usr/bin/chromium",
    timeout: 30_000,
    args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
  });
}

export const phone = { viewport: { width: 360, height: 740 }, hasTouch: true, isMobile: true, locale: "en-GB" };
export const desk = { viewport: { width: 1200, height: 900 }, locale: "en-GB" };

// open opens a context. What goes wrong in its pages is kept in its faults.
export async function open(browser, options) {
  const context = await browser.newContext(options);
  context.setDefaultTimeout(15_000);
  context.setDefaultNavigationTimeout(15_000);
  const faults = [];
  context.on("page", (page) => {
    page.on("pageerror", (e) => faults.push(e.stack));
    page.on("console", (m) => {
      if (m.type() === "error" && !m.text().startsWith("Failed to load resource")) faults.push(m.text());
    });
  });
  return { context, faults };
}

// go opens a page. It never waits for the network to fall silent: pages listen for events.
export const go = (page, url) => page.goto(url, { waitUntil: "load" });

const axe = await readFile(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

// barriers says what keeps people from using a page.
export async function barriers(page) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations"] }));
  return violations.map((v) => `${v.id} (${v.impact}): ${v.nodes.map((n) => n.target.join(" ") + " " + n.failureSummary).join("; ")}`.slice(0, 600));
}

// The parts of the inspection form.
export const form = (page) => {
  const titled = (scope, tag, title) => scope.locator(`${tag}:has(> summary > b:text-is("${title}"))`);
  return {
    said: page.locator("[data-said]"),
    send: page.getByRole("button", { name: "Send", exact: true }),
    // by is where somebody says how a finding is known.
    by: (scope, title) => scope.locator(`.field:has(legend:text-is("${title}"), label:text-is("${title}")) > .by select`),
    choice: (scope, title, answer) => scope.locator(`fieldset:has(> legend:text-is("${title}"))`).getByText(answer, { exact: true }),
    system: (title) => titled(page, "details.system", title),
    item: (title) => titled(page, "details.item", title),
    async open(system, item) {
      for (const details of [titled(page, "details.system", system), titled(page, "details.item", item)]) {
        if ((await details.getAttribute("open")) === null) await details.locator("> summary").click();
      }
      return titled(page, "details.item", item);
    },
  };
};
