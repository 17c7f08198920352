// The page in a real browser, against a running `setward demo`.
//
// Environment: SETWARD_URL (address of the page), SETWARD_PLAYWRIGHT (playwright-core's index.mjs), SETWARD_SHOTS (folder
// for screenshots). The demo's script lets the fryer oil fall one minute after its start and the alarm raise about two
// and a half minutes later; the tests that need it wait for it. No test asserts how fast anything is.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { gzipSync } from "node:zlib";

const url = process.env.SETWARD_URL;
const shots = process.env.SETWARD_SHOTS;
const { chromium } = await import(process.env.SETWARD_PLAYWRIGHT);
const ALARM = "fryer-inlet-cold";
const PHONE = { viewport: { width: 360, height: 640 }, isMobile: true, hasTouch: true, deviceScaleFactor: 2 };
const DESK = { viewport: { width: 1280, height: 800 } };
const QUIET = [
  "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
  "--disable-background-networking", "--disable-component-update", "--disable-sync",
];
const ALARM_PAGE_BYTES_MAX = 30 * 1024;
const REQUESTS_MAX = 6;

let browser;
before(async () => {
  browser = await chromium.launch({ executablePath: "/usr/bin/chromium", args: QUIET });
});
after(async () => {
  await browser?.close();
});

// A page that remembers what it complained about.
async function open(path, options) {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  const complaints = [];
  page.on("console", (message) => {
    if (message.type() === "error" || message.type() === "warning") complaints.push(message.text());
  });
  page.on("pageerror", (error) => complaints.push(String(error)));
  page.on("requestfailed", (request) => {
    // An event stream ends with its page.
    if (!request.url().endsWith("/events")) complaints.push(`${request.url()} failed`);
  });
  const response = await page.goto(url + path, { waitUntil: "load" });
  return { page, complaints, response, close: () => context.close() };
}

async function api(path) {
  const reply = await fetch(`${url}/api/v1${path}`);
  assert.equal(reply.status, 200, path);
  return reply.json();
}

async function waitForAlarm(wanted, minutes) {
  for (let left = minutes * 60; left > 0; left -= 1) {
    const alarm = (await api("/alarms")).items.find((item) => item.id === ALARM);
    if (wanted(alarm)) return alarm;
    await new Promise((resolve) => setTimeout(resolve, 1000));
  }
  return assert.fail(`${ALARM} did not come to the wanted state within ${minutes} minutes`);
}

const PAGES = ["/", "/alarms", `/alarms/${ALARM}`, "/signals/TT-310"];

for (const [name, options] of [["phone", PHONE], ["desk", DESK]]) {
  test(`every page opens without a complaint and without sideways scrolling (${name})`, async () => {
    for (const path of PAGES) {
      const { page, complaints, response, close } = await open(path, options);
      assert.equal(response.status(), 200, path);
      await page.waitForTimeout(1500);
      const sideways = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      assert.ok(sideways <= 0, `${path} is ${sideways} px too wide`);
      assert.deepEqual(complaints, [], path);
      await page.screenshot({ path: `${shots}/${name}${path.replaceAll("/", "_")}.png`, fullPage: true });
      await close();
    }
  });
}

test("at 320 px, the narrowest that must reflow, nothing scrolls sideways", async () => {
  for (const path of PAGES) {
    const { page, close } = await open(path, { viewport: { width: 320, height: 640 } });
    const sideways = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    assert.ok(sideways <= 0, `${path} is ${sideways} px too wide`);
    await close();
  }
});

test("a live value changes by itself", async () => {
  const { page, complaints, close } = await open("/", DESK);
  const value = page.locator('[data-t="FT-320.v"]');
  const first = await value.textContent();
  await page.waitForFunction(
    (first) => document.querySelector('[data-t="FT-320.v"]').textContent !== first, first, { timeout: 30000 },
  );
  assert.match(await value.textContent(), /^\d+\.\d$/);
  assert.deepEqual(complaints, []);
  await close();
});

test("when the server falls silent the page says since when, and recovers", async () => {
  const { page, close } = await open("/", DESK);
  await page.waitForTimeout(2500);
  assert.equal(await page.locator("#silence").isVisible(), false);
  await page.context().setOffline(true);
  // Going offline keeps an open stream; a new page of it would not load. Close the stream as a lost link would.
  await page.evaluate(() => dispatchEvent(new Event("pagehide")));
  await page.locator("#silence").waitFor({ state: "visible", timeout: 30000 });
  assert.match(await page.locator("#silence").textContent(), /No (live )?data/);
  await page.context().setOffline(false);
  await page.locator("#silence").waitFor({ state: "hidden", timeout: 60000 });
  await close();
});

test("without JavaScript the alarm page holds everything", async () => {
  const { page, close } = await open(`/alarms/${ALARM}`, { ...PHONE, javaScriptEnabled: false });
  const text = await page.locator("body").innerText();
  for (const phrase of ["°C", "below the setpoint", "Exposure", "Operator, now", "Technician, next", "400101", "X32"]) {
    assert.ok(text.includes(phrase), `no "${phrase}"`);
  }
  assert.equal(await page.locator("svg").count() > 0, true);
  await close();
});

test("an alarm page is small", async () => {
  const html = await (await fetch(`${url}/alarms/${ALARM}`)).text();
  const linked = new Set([...html.matchAll(/(?:href|src)="(\/static\/[^"]+)"/g)].map((match) => match[1]));
  const files = await Promise.all([...linked].map(async (path) => (await fetch(url + path)).text()));
  const bytes = [html, ...files].reduce((sum, text) => sum + gzipSync(text).length, 0);
  // The page, what it links, and the event stream.
  const requests = 1 + linked.size + 1;
  console.log(`alarm page: ${(bytes / 1024).toFixed(1)} KB gzipped (of 30), ${requests} requests (of ${REQUESTS_MAX})`);
  assert.ok(linked.size >= 2, "the page links its style and its script");
  assert.ok(bytes <= ALARM_PAGE_BYTES_MAX, `${bytes} bytes`);
  assert.ok(requests <= REQUESTS_MAX, `${requests} requests`);
});

test("before it raises, the alarm says how long is left; then a person acknowledges it on a phone", async () => {
  const rising = await waitForAlarm((alarm) => alarm.forecast === "raises" || alarm.active, 5);
  if (!rising.active) assert.match(rising.forecast_text, /^trips in .* if it stays here$/);
  const raised = await waitForAlarm((alarm) => alarm.active, 5);
  assert.ok(raised.exposure_share >= 0.99, JSON.stringify(raised));

  const { page, complaints, close } = await open(`/alarms/${ALARM}`, PHONE);
  // The first block needs no scrolling: each of its facts ends above the fold.
  for (const fact of ["How long", "Exposure", "Course", "Next", "Signal"]) {
    const box = await page.getByText(fact, { exact: true }).first().boundingBox();
    assert.ok(box && box.y + box.height <= 640, `"${fact}" ends at ${box && box.y + box.height} of 640`);
  }
  await page.screenshot({ path: `${shots}/phone-raised.png` });
  const button = page.getByRole("button", { name: /^Acknowledge/ }).first();
  const size = await button.boundingBox();
  assert.ok(size.height >= 64, `the button is ${size.height} px high`);
  await page.getByLabel("Your name").fill('<b>Night "shift"</b>');
  await button.click();
  await page.waitForLoadState("load");
  const text = await page.locator("body").innerText();
  assert.ok(text.includes('<b>Night "shift"</b>'), `the name is shown as it was typed: ${text}`);
  assert.deepEqual(complaints, []);
  await page.screenshot({ path: `${shots}/phone-acknowledged.png`, fullPage: true });
  await close();

  const acknowledged = await waitForAlarm((alarm) => alarm.acknowledged_at !== null, 1);
  assert.equal(acknowledged.acknowledged_by, '<b>Night "shift"</b>');
  // A page that still shows an earlier occurrence can't acknowledge this one.
  const stale = await fetch(`${url}/api/v1/alarms/${ALARM}/acknowledge`, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ run: (await api("/alarms")).run, occurrence: acknowledged.occurrence - 1, by: "late" }),
  });
  assert.equal(stale.status, 409);
});
