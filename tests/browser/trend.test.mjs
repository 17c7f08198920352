// The trend page in a real browser: without scripts, by keys, by fingers, on a phone, in both themes, on paper, and what it weighs.
//
// Reads what shared.mjs reads. How much history there is does not matter: with a week of it the drawings are full.

import assert from "node:assert/strict";
import fs from "node:fs";
import path from "node:path";
import { after, before, test } from "node:test";
import zlib from "node:zlib";
import { axeSource, demo, DESKTOP, launch, NARROW, PHONE, shots } from "./shared.mjs";

const base = demo();
const WEEK = "/trend?signals=TT-310,TT-313,ST-340&last=7d";

// Page, style, scripts and the one answer that draws a week: compressed, as over a link that compresses.
const PAGE_BYTES_GZ = 80 * 1024;

let axe;
let browser;

before(async () => {
  browser = await launch();
  axe = axeSource();
});

after(async () => browser?.close());

// An open page with everything that the browser complained about, and every request for columns.
async function open(address, device, more = {}) {
  const context = await browser.newContext({ ...device, ...more });
  const page = await context.newPage();
  const complaints = [];
  const answers = [];
  page.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) complaints.push(message.text());
  });
  page.on("pageerror", (error) => complaints.push(String(error)));
  page.on("request", (request) => { if (request.url().includes("/api/v1/trend")) answers.push(request.url()); });
  await page.addInitScript(() => {
    addEventListener("securitypolicyviolation", (event) => console.error(`policy: ${event.violatedDirective} ${event.blockedURI}`));
  });
  const answer = await page.goto(base + address, { waitUntil: "load" });
  assert.ok(answer.status() < 400, `${address}: ${answer.status()}`);
  return { page, complaints, answers, close: () => context.close() };
}

// Once the panes are drawn by the script.
const drawn = (page) => page.waitForFunction(() => document.querySelectorAll("#trends.live .uplot").length > 0 && !document.querySelector("#trends.waiting"));

const stretch = (page) => {
  const query = new URL(page.url()).searchParams;
  return query.has("from") ? [Date.parse(query.get("from")), Date.parse(query.get("to"))] : null;
};

async function fits(page, what) {
  const [needed, has] = await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
  assert.ok(needed <= has, `${what} needs ${needed} px of ${has}`);
}

test("without scripts the page shows the week, and links and a form lead to any other stretch", async () => {
  const { page, close } = await open(WEEK, DESKTOP, { javaScriptEnabled: false });
  assert.equal(await page.locator(".pane").count(), 3);
  assert.equal(await page.locator(".pane svg.plot:visible").count(), 3);
  assert.equal(await page.locator("#hand:visible, .uplot").count(), 0, "buttons that would do nothing");
  assert.match(await page.locator("main").innerText(), /Alarms of these stations[\s\S]*Statistics[\s\S]*Notes on this stretch/);
  await page.screenshot({ path: path.join(shots, "trend-noscript.png"), fullPage: true });
  await page.getByRole("link", { name: "Narrower", exact: true }).click();
  const [from, to] = stretch(page);
  assert.equal(to - from, 3.5 * 86_400_000);
  await page.getByRole("link", { name: "Earlier", exact: true }).click();
  assert.equal(stretch(page)[1], from, "the stretch before ends where this one began");
  await page.locator("summary", { hasText: "Choose signals" }).click();
  await page.getByRole("link", { name: "the stretch before" }).click();
  assert.match(await page.locator("main").innerText(), /Held against/);
  await page.locator("summary", { hasText: "Choose signals" }).click();
  await page.getByRole("checkbox", { name: "TT-313" }).uncheck();
  await page.getByLabel("From", { exact: true }).fill("8h");
  await page.getByLabel("To", { exact: true }).fill("now");
  await page.getByRole("button", { name: "Show" }).click();
  assert.equal(await page.locator(".pane").count(), 2);
  await close();
});

test("a note is written by a form, shows as it was typed, and stays with its stretch", async () => {
  const { page, close } = await open("/trend?signals=TT-310&from=2026-11-19T06:00:00Z&to=2026-11-19T14:00:00Z", DESKTOP, { javaScriptEnabled: false });
  const words = `<b>belt</b> slowed before, ${Math.floor(Math.random() * 1e9)}`;
  await page.getByLabel(/^A note about/).fill(words);
  await page.getByLabel(/^Your name/).fill("Inés");
  await page.getByRole("button", { name: "Keep the note" }).click();
  const text = await page.locator("main").innerText();
  assert.ok(text.includes("Kept, with your name and the time") && text.includes(words), text);
  await page.goto(`${base}/trend?signals=TT-310&from=2026-11-18T06:00:00Z&to=2026-11-18T14:00:00Z`);
  assert.ok(!(await page.locator("main").innerText()).includes(words));
  await close();
});

test("keys and buttons zoom and move, the address and the rest of the page follow", async () => {
  const { page, complaints, answers, close } = await open(WEEK, DESKTOP);
  await drawn(page);
  assert.equal(answers.length, 1, "a week is one answer");
  await page.focus("#trends");
  await page.keyboard.press("+");
  await page.waitForURL(/from=/);
  const [from, to] = stretch(page);
  assert.equal(to - from, 3.5 * 86_400_000);
  await page.keyboard.press("ArrowLeft");
  await page.waitForFunction((old) => !location.search.includes(old), new Date(from).toISOString().slice(0, 19));
  assert.ok(stretch(page)[0] < from, "the left arrow goes to earlier");
  await page.getByRole("button", { name: "Zoom in" }).click();
  await page.waitForFunction(() => Date.parse(new URL(location).searchParams.get("to")) - Date.parse(new URL(location).searchParams.get("from")) === 1.75 * 86_400_000);
  await page.waitForFunction(() => document.getElementById("stretch").textContent.includes("1 d 18 h"), undefined, { timeout: 10_000 });
  await page.keyboard.press("0");
  await page.waitForFunction(() => Date.parse(new URL(location).searchParams.get("to")) - Date.parse(new URL(location).searchParams.get("from")) === 7 * 86_400_000);
  const shown = page.url();
  await page.reload();
  await drawn(page);
  assert.equal(page.url(), shown, "an address shows the same again");
  assert.deepEqual(complaints, []);
  await close();
});

test("a drag chooses a stretch, the cursor tells all panes, Shift and drag moves", async () => {
  const { page, complaints, close } = await open(WEEK, DESKTOP);
  await drawn(page);
  const box = await page.locator(".u-over").first().boundingBox();
  const y = box.y + box.height / 2;
  await page.mouse.move(box.x + box.width * 0.25, y);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width * 0.5, y, { steps: 5 });
  await page.mouse.up();
  await page.waitForURL(/from=/);
  const [from, to] = stretch(page);
  assert.ok(Math.abs(to - from - 1.75 * 86_400_000) < 3 * 3_600_000, `${(to - from) / 86_400_000} days`);
  await page.mouse.move(box.x + box.width * 0.6, y);
  await page.waitForSelector("#cursor:not([hidden])");
  const told = await page.innerText("#cursor");
  for (const tag of ["TT-310", "TT-313", "ST-340"]) assert.ok(told.includes(tag), told);
  await page.keyboard.down("Shift");
  await page.mouse.down();
  await page.mouse.move(box.x + box.width * 0.8, y, { steps: 5 });
  await page.mouse.up();
  await page.keyboard.up("Shift");
  await page.waitForFunction((old) => Date.parse(new URL(location).searchParams.get("from")) < old, from);
  assert.equal(stretch(page)[1] - stretch(page)[0], to - from, "moving keeps the length");
  await page.waitForTimeout(1500);
  await page.screenshot({ path: path.join(shots, "trend-zoomed.png"), fullPage: true });
  const saved = page.waitForEvent("download");
  await page.getByRole("button", { name: "Picture: save what is drawn as a PNG" }).click();
  const picture = await saved;
  assert.match(picture.suggestedFilename(), /^trend-TT-310-TT-313-ST-340-\d{8}T\d{4}Z\.png$/);
  await picture.saveAs(path.join(shots, "trend-picture.png"));
  assert.ok(fs.statSync(path.join(shots, "trend-picture.png")).size > 5_000, "the picture is empty");
  assert.deepEqual(complaints, []);
  await close();
});

test("phones need no sideways scroll, what is tapped is large enough, and axe finds nothing in either theme", async () => {
  for (const [device, name, colorScheme] of [[PHONE, "phone", "light"], [NARROW, "narrow", "dark"], [DESKTOP, "desktop", "dark"], [DESKTOP, "desktop", "light"]]) {
    const { page, complaints, close } = await open(WEEK, device, { colorScheme });
    await drawn(page);
    await page.$$eval("details", (all) => all.forEach((one) => { one.open = true; }));
    await fits(page, `${name} ${colorScheme}`);
    const small = await page.$$eval("main a, main button, main summary, main label.box", (all) =>
      all.filter((one) => one.getClientRects().length > 0 && one.getBoundingClientRect().height < 24).map((one) => `${one.outerHTML.slice(0, 80)} ${one.getBoundingClientRect().height}`));
    assert.deepEqual(small, [], name);
    await page.evaluate(axe);
    const { violations, passes } = await page.evaluate(() => axe.run(document));
    assert.deepEqual(violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.html).slice(0, 3).join(" | ")}`), [], `${name} ${colorScheme}`);
    assert.ok(passes.length >= 15);
    await page.screenshot({ path: path.join(shots, `trend-${name}-${colorScheme}.png`), fullPage: true });
    assert.deepEqual(complaints, [], name);
    await close();
  }
});

test("two fingers zoom on a phone", async () => {
  const { page, close } = await open(WEEK, PHONE);
  await drawn(page);
  await page.locator(".u-over").first().scrollIntoViewIfNeeded();
  const box = await page.locator(".u-over").first().boundingBox();
  const touch = await page.context().newCDPSession(page);
  const send = (type, ...xs) => touch.send("Input.dispatchTouchEvent", { type, touchPoints: xs.map((x, id) => ({ x: box.x + box.width * x, y: box.y + box.height / 2, id })) });
  await send("touchStart", 0.4, 0.6);
  await send("touchMove", 0.35, 0.65);
  await send("touchMove", 0.3, 0.7);
  await send("touchEnd");
  await page.waitForURL(/from=/);
  const [from, to] = stretch(page);
  assert.ok(Math.abs((to - from) / (3.5 * 86_400_000) - 1) < 0.1, `${(to - from) / 86_400_000} days`);
  await close();
});

test("on paper the still drawings stand, without controls", async () => {
  const { page, close } = await open(WEEK, DESKTOP);
  await drawn(page);
  await page.emulateMedia({ media: "print" });
  assert.equal(await page.locator("nav:visible, form:visible, #hand:visible, .uplot:visible").count(), 0);
  assert.equal(await page.locator(".pane svg.plot:visible").count(), 3);
  const pdf = await page.pdf({ path: path.join(shots, "trend.pdf"), format: "A4" });
  assert.ok(pdf.length > 10_000, "the PDF is empty");
  await close();
});

test("what the page weighs and how long its answers take", async () => {
  const html = await (await fetch(base + WEEK)).text();
  const files = [...html.matchAll(/(?:href|src)="(\/static\/[^"]+)"/g)].map((match) => match[1]);
  const gz = (text) => zlib.gzipSync(text, { level: 9 }).length;
  let total = gz(html);
  const sizes = [`page ${total}`];
  for (const file of new Set(files)) {
    const size = gz(await (await fetch(base + file)).text());
    sizes.push(`${file.split("?")[0].split("/").pop()} ${size}`);
    total += size;
  }
  const from = performance.now();
  const answer = await fetch(`${base}/api/v1/trend?signals=TT-310,TT-313,ST-340&last=7d&columns=1200`);
  const body = await answer.text();
  const took = performance.now() - from;
  console.log(`trend page, gz bytes: ${sizes.join(", ")}; together ${total}. One answer for a week: ${body.length} bytes, ${gz(body)} gz, ${took.toFixed(0)} ms`);
  assert.ok(total <= PAGE_BYTES_GZ, `${total} of ${PAGE_BYTES_GZ}`);
  // Times are told, not judged: another program may have the processor.
  const refused = [];
  for (const wrong of ["signals=TT-301", "last=9000d", "from=2026-11-26T00:00:00Z&to=2026-11-25T00:00:00Z", "columns=5000"]) {
    const begin = performance.now();
    const refusal = await fetch(`${base}/api/v1/trend?${wrong}`);
    assert.ok([404, 422].includes(refusal.status), wrong);
    assert.equal(refusal.headers.get("content-type"), "application/problem+json");
    refused.push(performance.now() - begin);
  }
  console.log(`refusals took ${refused.map((ms) => ms.toFixed(0)).join(", ")} ms`);
});
