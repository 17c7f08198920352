// What a person reads, opens, chooses and types while a page keeps itself fresh: neither changed under their eyes nor lost.
//
// Reads what shared.mjs reads.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { demo, DESKTOP, launch, until } from "./shared.mjs";

const base = demo();
// The page is read anew each half minute, and some seconds after the last touch.
const READ_ANEW_WITHIN_MS = 60_000;
const LONGER_THAN_THAT_MS = 36_000;

let browser;

before(async () => {
  browser = await launch();
});

after(async () => browser?.close());

async function opened(address) {
  const page = await (await browser.newContext(DESKTOP)).newPage();
  const answer = await page.goto(base + address, { waitUntil: "load" });
  assert.equal(answer.status(), 200, address);
  return page;
}

/** Whatever is swapped loses the mark. */
const mark = (page) => page.$eval("main > *", (element) => { element.dataset.mark = "1"; });
const isMarked = (page) => page.$("main [data-mark]").then(Boolean);
const readAnew = (page) => until(async () => !(await isMarked(page)), READ_ANEW_WITHIN_MS, "the page was not read anew");

// One that nothing happens to in the demo's script: another occurrence would be another matter.
const anAlarm = async () => (await (await fetch(`${base}/api/v1/alarms`)).json()).items.find((alarm) => !alarm.standing && !/fryer|oven/.test(alarm.id));

async function startShelving(page) {
  await page.$eval("form:has(select[name=minutes])", (form) => { form.closest("details").open = true; });
  const minutes = await page.$$eval("select[name=minutes] option", (all) => all.at(-1).value);
  await page.selectOption("select[name=minutes]", minutes);
  await page.check("input[name=once]");
  await page.fill("form:has(select[name=minutes]) input[name=why]", "the probe is be");
  return minutes;
}

test("what is half filled in on an alarm's page is as it was when the page has been read anew", async () => {
  const alarm = await anAlarm();
  const page = await opened(`/alarms/${alarm.id}`);
  await mark(page);
  const minutes = await startShelving(page);
  await readAnew(page);
  assert.equal(await page.inputValue("select[name=minutes]"), minutes);
  assert.ok(await page.isChecked("input[name=once]"));
  assert.equal(await page.inputValue("form:has(select[name=minutes]) input[name=why]"), "the probe is be");
  assert.ok(await page.isVisible("select[name=minutes]"), "what was opened is open");
  assert.equal(await page.evaluate(() => document.activeElement.name), "why", "the field that was written in has the caret");
});

test("a page of records stays what it was asked for while somebody reads it, and says of when it is", async () => {
  const pages = await Promise.all(["/handover?last=1", "/records", "/alarm-report?days=3"].map(opened));
  for (const page of pages) await mark(page);
  const before = await Promise.all(pages.map((page) => page.innerText("main")));
  await pages[0].waitForTimeout(LONGER_THAN_THAT_MS);
  for (const [index, page] of pages.entries()) {
    assert.ok(await isMarked(page), page.url());
    assert.equal(await page.innerText("main"), before[index], page.url());
    assert.match(before[index], /As of \d{4}-\d\d-\d\d \d\d:\d\d:\d\d/);
  }
});

test("an answer to a form, which can't be read anew, says so", async () => {
  const alarm = await anAlarm();
  const page = await opened(`/alarms/${alarm.id}`);
  await page.$eval("form:has(select[name=minutes])", (form) => {
    form.noValidate = true;
    for (const option of form.querySelectorAll("select[name=minutes] option")) option.value = "no number";
    form.querySelector("input[name=by]").value = "Inés";
    form.submit();
  });
  await page.waitForURL(`**/alarms/${alarm.id}/shelve`);
  await until(() => page.isVisible("#silence"), 3 * READ_ANEW_WITHIN_MS, "a page that can't be read anew does not say so");
  assert.match(await page.innerText("#silence"), /not kept fresh any more/);
});
