// Boards, back-tests and the wall in a real browser: phone and desktop, both themes, with and without scripts.
//
// Reads what shared.mjs reads. How much history there is does not matter.

import assert from "node:assert/strict";
import path from "node:path";
import { after, before, test } from "node:test";
import { axeSource, demo, DESKTOP, launch, PHONE, shots, until } from "./shared.mjs";

const base = demo();
const SCREENS = [{ width: 1920, height: 1080 }, { width: 1366, height: 768 }];
const ALARM = "fryer-inlet-cold";
const PAGES = ["/start-up", "/start-up?recipe=white-corn-strips", "/changeover", "/back-test", `/back-test/${ALARM}`];

let axe;
let browser;

before(async () => {
  browser = await launch();
  axe = axeSource();
});

after(async () => browser?.close());

async function open(address, options) {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  const complaints = [];
  page.on("console", (message) => { if (["error", "warning"].includes(message.type())) complaints.push(message.text()); });
  page.on("pageerror", (error) => complaints.push(String(error)));
  const answer = await page.goto(base + address, { waitUntil: "load" });
  assert.equal(answer.status(), 200, address);
  return { page, complaints, close: () => context.close() };
}

const named = (address) => address.replaceAll(/[^a-z0-9]+/gi, "-");

async function fits(page, address) {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert.ok(wide <= 0, `${address} is ${wide} px wider than the screen`);
}

async function nobodyIsKeptOut(page, address) {
  await page.$$eval("details", (all) => all.forEach((one) => { one.open = true; }));
  const found = await page.evaluate(`${axe}; axe.run(document, { resultTypes: ["violations"] })`);
  assert.deepEqual(found.violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.html).join(" ")}`), [], address);
}

test("boards and back-test pages fit a phone and a desktop in both themes, and axe finds nothing", async () => {
  for (const [device, colorScheme] of [[PHONE, "light"], [DESKTOP, "dark"]]) {
    for (const address of PAGES) {
      const { page, complaints, close } = await open(address, { ...device, colorScheme });
      await page.screenshot({ path: path.join(shots, `boards-${device === PHONE ? "phone" : "desktop"}${named(address)}.png`), fullPage: true });
      await fits(page, address);
      await nobodyIsKeptOut(page, address);
      assert.deepEqual(complaints, [], address);
      await close();
    }
  }
});

test("without scripts an engineer tries other numbers, is told what is wrong, and takes the file", async () => {
  const { page, close } = await open(`/back-test/${ALARM}`, { ...PHONE, javaScriptEnabled: false });
  await page.locator("#allowance").fill("soon");
  await page.locator("#days").fill("1");
  await page.locator("#by").fill("Inés");
  await page.locator(".numbers button").click();
  assert.match(await page.locator(".number .outside").innerText(), /number/);
  assert.equal(await page.locator("#allowance").inputValue(), "soon");
  await page.screenshot({ path: path.join(shots, "boards-back-test-refused.png"), fullPage: true });
  await page.locator("#allowance").fill("60 K.s");
  await page.locator(".numbers button").click();
  assert.match(page.url(), /\/back-tests\/\d+$/);
  const n = page.url().split("/").at(-1);
  await until(async () => (await (await fetch(`${base}/api/v1/back-tests/${n}`)).json()).state !== "running", 120_000, "the back-test does not end");
  await page.goto(`${base}/back-tests/${n}`);
  const text = await page.locator("main").innerText();
  assert.match(text, /allowance: 240 K\.s to 60 K\.s/);
  assert.match(text, /calls? as it is, \d+ with these settings|Nobody is called in this time/);
  assert.equal(await page.locator(".lane > svg").count(), 2, "both rows on one axis");
  await page.screenshot({ path: path.join(shots, "boards-back-test-result.png"), fullPage: true });
  const file = await (await fetch(`${base}/back-tests/${n}/alarms.toml`)).text();
  assert.match(file, /^# PROPOSED, not in force[\s\S]*Tried by Inés[\s\S]*allowance = "60 K\.s"/);
  await close();
  const seen = await open(`/back-tests/${n}`, { ...DESKTOP });
  await fits(seen.page, "a result");
  await nobodyIsKeptOut(seen.page, "a result");
  await seen.close();
});

test("the wall fits its screens without a scrollbar, in both schemes, and cannot be touched", async () => {
  for (const viewport of SCREENS) {
    for (const scheme of ["light", "dark"]) {
      const { page, complaints, close } = await open(`/wall?scheme=${scheme}`, { viewport });
      const [high, has] = await page.evaluate(() => [document.documentElement.scrollHeight, document.documentElement.clientHeight]);
      await page.screenshot({ path: path.join(shots, `wall-${viewport.width}-${scheme}.png`) });
      assert.ok(high <= has, `${high} px high on a screen of ${has}`);
      await fits(page, "/wall");
      assert.equal(await page.locator("a, form, button, input, select, details").count(), 0);
      // A fortieth of the screen's height, and more for an alarm: 24 mm at five metres on a screen of 55 inches.
      const sizes = await page.$$eval(".tile h2, .standing .what, .supply li", (all) => all.map((one) => parseFloat(getComputedStyle(one).fontSize)));
      assert.ok(sizes.length > 0 && Math.min(...sizes) >= viewport.height / 45, `${Math.min(...sizes)} px`);
      await nobodyIsKeptOut(page, "/wall");
      assert.deepEqual(complaints, []);
      await close();
    }
  }
});

test("the wall goes visibly stale when nothing comes any more, and a browser without scripts reads it anew", async () => {
  const context = await browser.newContext({ viewport: SCREENS[0] });
  const page = await context.newPage();
  await page.route(/\/events/, (route) => route.abort());
  await page.goto(`${base}/wall`);
  await until(() => page.isVisible("#silence"), 15_000, "nothing is said");
  assert.ok(Number(await page.$eval(".both", (one) => getComputedStyle(one).opacity)) < 1);
  await page.screenshot({ path: path.join(shots, "wall-stale.png") });
  await context.close();
  const still = await open("/wall", { viewport: SCREENS[0], javaScriptEnabled: false });
  assert.equal(await still.page.locator("meta[http-equiv=refresh]").count(), 1);
  assert.match(await still.page.locator(".age").innerText(), / at \d\d:\d\d:\d\d/);
  await still.close();
});
