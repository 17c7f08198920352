// Pages of records in a real browser: phone and desktop, with and without scripts, on paper.
//
// Reads what shared.mjs reads.

import assert from "node:assert/strict";
import path from "node:path";
import { after, before, test } from "node:test";
import { axeSource, demo, DESKTOP, launch, PHONE, shots } from "./shared.mjs";

const base = demo();
const PAGES = ["/handover", "/handover?last=1", "/batches", "/holds", "/records", "/alarm-report", "/tanks", "/signals/TT-310"];

let axe;
let browser;

before(async () => {
  browser = await launch();
  axe = axeSource();
});

after(async () => browser?.close());

async function look(device, name, addresses, scripts = true) {
  const context = await browser.newContext({ ...device, javaScriptEnabled: scripts });
  const page = await context.newPage();
  for (const address of addresses) {
    const answer = await page.goto(base + address, { waitUntil: "load" });
    assert.equal(answer.status(), 200, address);
    await page.screenshot({ path: path.join(shots, `records-${name}${address.replaceAll(/[^a-z0-9]+/gi, "-")}.png`), fullPage: true });
    if (scripts) {
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      assert.ok(wide <= 0, `${address} is ${wide} px wider than the screen`);
      // A table that hides its last columns is one that nobody reads with a glove on.
      const cut = await page.$$eval(".wide", (all) => all.filter((one) => one.scrollWidth > one.clientWidth).map((one) => one.getAttribute("aria-label")));
      assert.deepEqual(cut, [], `${address}: tables wider than the screen`);
      const found = await page.evaluate(`${axe}; axe.run(document, { resultTypes: ["violations"] })`);
      assert.deepEqual(found.violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.html).join(" ")}`), [], address);
    }
  }
  await context.close();
}

async function aBatch() {
  const list = await (await fetch(`${base}/api/v1/batches`)).json();
  return list.batches.slice(0, 1).map((batch) => `/batches/${batch.id}`);
}

test("every page of records fits a phone and a desktop, and axe finds nothing", async () => {
  const pages = [...PAGES, ...(await aBatch())];
  await look(PHONE, "phone", pages);
  await look(DESKTOP, "desktop", pages);
});

test("without scripts the pages are complete, and product is held and decided about by forms", async () => {
  await look(PHONE, "noscript", PAGES, false);
  const context = await browser.newContext({ ...PHONE, javaScriptEnabled: false });
  const page = await context.newPage();
  const held = await (await fetch(`${base}/api/v1/holds`, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ from_utc_ms: 1_795_435_200_000, to_utc_ms: 1_795_435_800_000, kg: "208", by: "Inés", why: "browser test" }),
  })).json();
  await page.goto(`${base}/holds`);
  const form = page.locator(`form[action="/holds/${held.n}/decision"]`);
  await form.locator("select").selectOption("released");
  await form.locator('input[name="why"]').fill("it is only a test");
  await form.locator('input[name="by"]').fill("Inés");
  await form.locator("button").click();
  assert.match(await page.locator("main").innerText(), /Kept\. The hold and the decision stay on record\./);
  await context.close();
});

test("a handover is printed without forms and navigation", async () => {
  const context = await browser.newContext(DESKTOP);
  const page = await context.newPage();
  await page.goto(`${base}/handover`);
  await page.emulateMedia({ media: "print" });
  assert.equal(await page.locator("form:visible, nav:visible").count(), 0);
  const pdf = await page.pdf({ path: path.join(shots, "handover.pdf"), format: "A4" });
  assert.ok(pdf.length > 5_000, "the PDF is empty");
  await context.close();
});
