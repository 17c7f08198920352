// A real browser on a running `setward demo`: phone and desktop, with and without scripts, until an alarm is acknowledged.
//
// Reads from the environment:
//   SETWARD_URL         where the page is, "http://127.0.0.1:8470"
//   SETWARD_SHOTS       folder for screenshots (made if missing)
//   SETWARD_PLAYWRIGHT  path of playwright-core's index.mjs; else it is resolved like any package
//   SETWARD_CHROMIUM    path of the browser, else /usr/bin/chromium
//   SETWARD_ALARM_WAIT_S  how long to wait for an alarm that nobody has acknowledged, else 360

import assert from "node:assert/strict";
import fs from "node:fs";
import path from "node:path";
import { after, before, test } from "node:test";
import { pathToFileURL } from "node:url";
import zlib from "node:zlib";

const base = process.env.SETWARD_URL;
assert.ok(base, "SETWARD_URL is not set: start `setward demo` and give its address");
const shots = process.env.SETWARD_SHOTS ?? "shots";
const alarmWaitMs = Number(process.env.SETWARD_ALARM_WAIT_S ?? 360) * 1000;
const playwright = process.env.SETWARD_PLAYWRIGHT
  ? await import(pathToFileURL(path.resolve(process.env.SETWARD_PLAYWRIGHT)))
  : await import("playwright-core");

const PHONE = { viewport: { width: 360, height: 640 }, deviceScaleFactor: 2, isMobile: true, hasTouch: true };
const LARGE_PHONE = { viewport: { width: 390, height: 844 }, deviceScaleFactor: 2, isMobile: true, hasTouch: true };
const NARROW = { viewport: { width: 320, height: 640 }, deviceScaleFactor: 2, isMobile: true, hasTouch: true };
const DESKTOP = { viewport: { width: 1280, height: 800 } };

// Budgets of an alarm page: compressed size of page, style and drawing, and number of requests.
const ALARM_PAGE_BYTES_GZ = 30 * 1024;
const ALARM_PAGE_REQUESTS = 6;

let browser;
let signals;
let alarms;

before(async () => {
  fs.mkdirSync(shots, { recursive: true });
  browser = await playwright.chromium.launch({
    executablePath: process.env.SETWARD_CHROMIUM ?? "/usr/bin/chromium",
    headless: true,
    args: [
      "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
      "--disable-component-update", "--disable-sync",
    ],
  });
  signals = await api("/api/v1/signals");
  alarms = await api("/api/v1/alarms");
  assert.ok(signals.length > 0 && alarms.length > 0, "the line has no signals or no alarms");
});

after(async () => browser?.close());

async function api(address) {
  const answer = await fetch(base + address);
  assert.equal(answer.status, 200, address);
  return (await answer.json()).items;
}

// An open page in a context of its own, with everything the browser complained about.
async function open(address, device, options = {}) {
  const context = await browser.newContext({ ...device, ...options });
  const page = await context.newPage();
  const complaints = [];
  page.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) complaints.push(message.text());
  });
  page.on("pageerror", (error) => complaints.push(String(error)));
  await page.addInitScript(() => {
    addEventListener("securitypolicyviolation", (event) => console.error(`policy: ${event.violatedDirective} ${event.blockedURI}`));
  });
  const answer = await page.goto(base + address, { waitUntil: "load" });
  assert.ok(answer.status() < 400, `${address}: ${answer.status()}`);
  return { page, complaints, close: () => context.close() };
}

async function shoot(page, name, fullPage = true) {
  await page.screenshot({ path: path.join(shots, `${name}.png`), fullPage });
}

// Polls until `check` gives something, or fails after `patienceMs`.
async function until(check, patienceMs, what) {
  const end = Date.now() + patienceMs;
  for (;;) {
    const found = await check();
    if (found) return found;
    assert.ok(Date.now() < end, `${what}: not within ${patienceMs / 1000} s`);
    await new Promise((resolve) => setTimeout(resolve, 500));
  }
}

// The pages of the line that the checks walk.
function addresses() {
  return ["/", "/alarms", ...alarms.map((alarm) => `/alarms/${alarm.id}`), `/signals/${alarms[0].signal}`];
}

test("every page opens without a complaint from the browser, in both themes", async () => {
  for (const colorScheme of ["light", "dark"]) {
    for (const address of ["/", "/alarms", `/alarms/${alarms[0].id}`, `/signals/${alarms[0].signal}`]) {
      const { page, complaints, close } = await open(address, DESKTOP, { colorScheme });
      await page.waitForTimeout(1500);
      assert.deepEqual(complaints, [], `${address} ${colorScheme}`);
      await shoot(page, `desktop-${colorScheme}${address.replaceAll("/", "-")}`);
      await close();
    }
  }
});

test("a live value changes by itself within ten seconds", async () => {
  const { page, complaints, close } = await open("/", DESKTOP);
  const values = () => page.$$eval(".row .value [data-t]", (all) => all.map((element) => element.textContent).join(" "));
  const first = await values();
  assert.ok(first.length > 0, "the overview shows no values");
  await until(async () => (await values()) !== first, 10_000, "no value changed");
  const age = await page.textContent("[data-t=age]");
  assert.match(age, /^newest data .* old at /);
  assert.equal(await page.isHidden("#silence"), true, "the page says that no data comes");
  assert.deepEqual(complaints, []);
  await close();
});

test("when the server falls silent the page says since when", async () => {
  const { page, close } = await open("/", DESKTOP);
  // A stream that is never answered is a server that says nothing.
  await page.route("**/events*", () => {});
  await page.reload({ waitUntil: "load" });
  assert.equal(await page.isHidden("#silence"), true, "not before it has waited");
  await until(() => page.isVisible("#silence"), 10_000, "no word of the silence");
  assert.match(await page.textContent("#silence"), /^No live data/);
  await page.unroute("**/events*");
  await page.reload({ waitUntil: "load" });
  await page.waitForTimeout(5000);
  assert.equal(await page.isHidden("#silence"), true, "data comes again");
  await close();
});

test("on a phone the first block of every alarm needs no scrolling", async () => {
  for (const alarm of alarms) {
    const { page, close } = await open(`/alarms/${alarm.id}`, PHONE);
    const bottom = await page.$eval("#first", (block) => block.getBoundingClientRect().bottom);
    await shoot(page, `phone-alarm-${alarm.id}`, false);
    assert.ok(bottom <= 640, `${alarm.id}: the first block ends at ${bottom} px`);
    const value = await page.$(".big .value b");
    if (value) {
      const size = await value.evaluate((element) => parseFloat(getComputedStyle(element).fontSize));
      assert.ok(size >= 40, `${alarm.id}: the value is ${size} px`);
    }
    await close();
  }
});

test("no page scrolls sideways at 320, 360, 390 or 1280 px", async () => {
  for (const device of [NARROW, PHONE, LARGE_PHONE, DESKTOP]) {
    for (const address of addresses()) {
      const { page, close } = await open(address, device);
      const [needed, has] = await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
      assert.ok(needed <= has, `${address} at ${has} px needs ${needed} px`);
      await close();
    }
  }
});

test("what a gloved finger must hit is large enough", async () => {
  for (const address of ["/", "/alarms", `/alarms/${alarms[0].id}`]) {
    const { page, close } = await open(address, LARGE_PHONE);
    const small = await page.$$eval("nav a, .row .name, .plain a.name, .alarms .open, .index a, button, input[type=text]", (all) =>
      all
        .map((element) => ({ text: element.textContent.trim(), height: element.getBoundingClientRect().height }))
        .filter((element) => element.height < 48),
    );
    assert.deepEqual(small, [], address);
    const inline = await page.$$eval("main a", (all) => all.map((a) => a.getBoundingClientRect().height).filter((height) => height < 24));
    assert.deepEqual(inline, [], `${address}: links lower than 24 px`);
    await close();
  }
});

test("without scripts every page is complete", async () => {
  const options = { javaScriptEnabled: false };
  const alarm = alarms[0];
  const line = await open("/", PHONE, options);
  assert.ok((await line.page.locator(".station").count()) >= 2);
  assert.ok((await line.page.locator("main").innerText()).length > 200);
  await shoot(line.page, "phone-no-script-line");
  await line.page.goto(`${base}/alarms/${alarm.id}`);
  const text = await line.page.locator("body").innerText();
  for (const words of [alarm.name, "Operator, ", alarm.response_now[0], "Registers", "Words, last answer", "Monitoring only"]) {
    assert.ok(text.includes(words), `missing without scripts: ${words}`);
  }
  assert.equal(await line.page.locator("svg.trend").count(), 1);
  await shoot(line.page, "phone-no-script-alarm");
  await line.close();
});

test("an alarm page keeps its budget", async () => {
  // A context of its own: nothing is in the browser's store yet.
  const context = await browser.newContext(PHONE);
  const page = await context.newPage();
  const requests = [];
  page.on("request", (request) => requests.push(request.url()));
  const bodies = [];
  page.on("response", async (answer) => {
    const kind = answer.headers()["content-type"] ?? "";
    if (/html|css/.test(kind)) bodies.push(answer.body());
  });
  await page.goto(`${base}/alarms/${alarms[0].id}`, { waitUntil: "load" });
  await page.waitForTimeout(1500);
  const sizes = (await Promise.all(bodies)).map((body) => zlib.gzipSync(body).length);
  const total = sizes.reduce((sum, size) => sum + size, 0);
  console.log(`alarm page: ${total} bytes of page, style and drawing compressed, ${requests.length} requests`);
  assert.ok(sizes.length === 2 && total <= ALARM_PAGE_BYTES_GZ, `${total} bytes`);
  assert.ok(requests.length <= ALARM_PAGE_REQUESTS, requests.join("\n"));
  assert.ok(requests.every((url) => url.startsWith(base) || url.startsWith("data:")), requests.join("\n"));
  await context.close();
});

// Waits until some alarm stands that nobody has acknowledged.
async function unacknowledged() {
  const find = async () => (await api("/api/v1/alarms")).find((alarm) => alarm.awaits_acknowledgement);
  return until(find, alarmWaitMs, "no alarm that waits for a person");
}

test("an alarm that raises appears by itself, and is acknowledged by hand with the name kept", async () => {
  const watcher = await open("/alarms", LARGE_PHONE);
  const alarm = await unacknowledged();
  await until(() => watcher.page.isVisible(`.alarms a[href="/alarms/${alarm.id}"]`), 15_000, "the list did not show the new alarm");
  await until(() => watcher.page.isVisible(`form[action="/alarms/${alarm.id}/acknowledge"]`), 15_000, "no form");
  await shoot(watcher.page, "phone-alarms-new");
  assert.deepEqual(watcher.complaints, []);
  await watcher.close();

  // By hand and without scripts: what works there works everywhere.
  const { page, close } = await open(`/alarms/${alarm.id}`, PHONE, { javaScriptEnabled: false });
  await shoot(page, "phone-alarm-new-first", false);
  const bottom = await page.locator("#first").evaluate((block) => block.getBoundingClientRect().bottom);
  assert.ok(bottom <= 640, `the first block of an active alarm ends at ${bottom} px`);
  const button = page.locator("form.acknowledge button");
  const box = await button.boundingBox();
  assert.ok(box.height >= 120 && box.width >= 300, `the button is ${box.width} by ${box.height} px`);
  const name = "Inés <b>night</b>";
  await page.fill("form.acknowledge input[name=by]", name);
  await Promise.all([page.waitForURL(/said=/), button.click()]);
  assert.match(page.url(), /said=acknowledged/);
  const text = await page.locator("main").innerText();
  assert.ok(text.includes("Acknowledged. Everyone who looks sees your name."), text);
  assert.ok(text.includes(`by ${name}`), "the name is shown as it was typed");
  await shoot(page, "phone-alarm-acknowledged");
  const cookie = (await page.context().cookies()).find((each) => each.value.includes("In"));
  assert.ok(cookie?.httpOnly && cookie.sameSite === "Strict", JSON.stringify(cookie));
  await close();

  const now = (await api("/api/v1/alarms")).find((each) => each.id === alarm.id);
  assert.equal(now.awaits_acknowledgement, false);
  assert.equal(now.acknowledged_by, name);
});

test("another site's page cannot acknowledge, and another name for this machine gets nothing", async () => {
  const address = `${base}/alarms/${alarms[0].id}/acknowledge`;
  const foreign = await fetch(address, {
    method: "POST",
    headers: { origin: "http://evil.example", "content-type": "application/x-www-form-urlencoded" },
    body: "run=1&occurrence=1&by=Mallory",
  });
  assert.equal(foreign.status, 403);
  const stale = await fetch(`${base}/api/v1/alarms/${alarms[0].id}/acknowledge`, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ run: 999_999, occurrence: 1, by: "Ana" }),
  });
  assert.equal(stale.status, 409);
});
