// Pictures of every page at the size of a phone and of a desktop, light and dark, from a running demo. No test: somebody looks at them.
//
//   setward demo --page 127.0.0.1:8470        (wait until it says that the week is over)
//   SETWARD_URL=http://127.0.0.1:8470 SETWARD_SHOTS=shots node tests/figures/every_page.mjs
//
// Reads the same environment as tests/browser/page.test.mjs.

import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const base = process.env.SETWARD_URL;
if (!base) throw new Error("SETWARD_URL is not set: start `setward demo` and give its address");
const shots = process.env.SETWARD_SHOTS ?? "shots";
const only = process.argv[2];
const playwright = process.env.SETWARD_PLAYWRIGHT
  ? await import(pathToFileURL(path.resolve(process.env.SETWARD_PLAYWRIGHT)))
  : await import("playwright-core");
const PHONE = { viewport: { width: 360, height: 640 }, isMobile: true, hasTouch: true };
const DESKTOP = { viewport: { width: 1280, height: 800 } };
const WALL = { viewport: { width: 1920, height: 1080 } };

const json = async (address) => (await fetch(base + address)).json();
const line = (await json("/api/v1/line")).item;
const alarms = (await json("/api/v1/alarms")).items;
const batches = (await json("/api/v1/batches")).batches ?? [];
const entries = (await json("/api/v1/entries")).items ?? [];
const tests = (await json("/api/v1/back-tests")).back_tests ?? [];
const alarm = alarms.find((one) => one.standing) ?? alarms[0];
const kinds = Object.values(Object.fromEntries(alarms.map((one) => [one.kind, one.id])));

const pages = [
  "/", "/alarms", "/tanks", "/entries", "/trend", "/trend?signals=TT-310&last=8h", "/handover", "/handover?last=1", "/batches", "/holds", "/records",
  "/start-up", "/changeover", "/wall", "/wall?scheme=dark", "/back-test", "/back-test/fryer-inlet-cold", "/back-test/fryer-oil-high.TT-310",
  ...tests.slice(0, 2).map((one) => `/back-tests/${one.n}`),
  ...line.stations.map((station) => `/stations/${station.key}`),
  ...kinds.map((id) => `/alarms/${id}`), `/alarms/${alarm.id}`,
  "/signals/TT-310", "/signals/KY-340", "/signals/XI-310",
  ...entries.slice(0, 1).map((entry) => `/entries/${entry.tag}`),
  ...batches.slice(0, 1).map((batch) => `/batches/${batch.id}`),
  "/no-such-page",
];

fs.mkdirSync(shots, { recursive: true });
const browser = await playwright.chromium.launch({
  executablePath: process.env.SETWARD_CHROMIUM ?? "/usr/bin/chromium",
  headless: true,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-sync"],
});
for (const [device, options] of [["phone", PHONE], ["desktop", DESKTOP]]) {
  for (const colorScheme of ["light", "dark"]) {
    const context = await browser.newContext({ ...options, colorScheme });
    const page = await context.newPage();
    for (const address of new Set(pages)) {
      if (only && !address.includes(only)) continue;
      if (address.startsWith("/wall") && device === "desktop") await page.setViewportSize(WALL.viewport);
      await page.goto(base + address, { waitUntil: "load" });
      const name = `${device}-${colorScheme}${address.replaceAll(/[^a-z0-9.]+/gi, "-")}.png`;
      await page.screenshot({ path: path.join(shots, name), fullPage: !address.startsWith("/wall") });
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      if (wide > 0) console.log(`${name}: ${wide} px too wide`);
      if (options.viewport && address.startsWith("/wall")) await page.setViewportSize(options.viewport);
    }
    await context.close();
  }
}
await browser.close();
console.log(`pictures of ${new Set(pages).size} pages in ${shots}`);
