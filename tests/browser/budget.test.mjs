// What pages weigh and how many requests they make, which is judged; and how soon they show something on a slow device, which is
// told: another program may have the processor.
//
// Reads what shared.mjs reads.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import zlib from "node:zlib";
import { demo, launch, PHONE } from "./shared.mjs";

const base = demo();
const SLOWER = 4;
const LOOKS = 3;
const MOST_REQUESTS = 6;

// A page, what it may weigh packed, and what tells that it can be used.
const PAGES = [
  { name: "alarm", address: "/alarms/fryer-inlet-cold", kb: 30, usable: () => document.querySelector("#first .value, #first .lost") },
  { name: "line", address: "/", kb: 30, usable: () => document.querySelector(".station .row") },
  { name: "trend", address: "/trend?signals=TT-310,TT-313,ST-340&last=7d", kb: 80, usable: () => document.querySelector(".pane svg.plot") },
  { name: "start-up board", address: "/start-up", kb: 30, usable: () => document.querySelector("#verdict") },
  { name: "wall", address: "/wall", kb: 30, usable: () => document.querySelector(".tile") },
];

let browser;

before(async () => {
  browser = await launch();
});

after(async () => browser?.close());

// One look with an empty cache on a device that is so much slower.
async function look({ address, usable }) {
  const context = await browser.newContext(PHONE);
  const page = await context.newPage();
  const bodies = [];
  page.on("response", (answer) => {
    // The stream has no end, and its few bytes a second are not the page's.
    if (!answer.url().includes("/events")) bodies.push(answer.body().then((body) => [answer.url(), body]));
  });
  const session = await context.newCDPSession(page);
  await session.send("Emulation.setCPUThrottlingRate", { rate: SLOWER });
  await page.goto(base + address, { waitUntil: "load" });
  assert.ok(await page.evaluate(`(${usable})() !== null`), `${address} has nothing to use`);
  await page.waitForFunction(() => performance.getEntriesByName("first-contentful-paint").length > 0);
  const ms = await page.evaluate(() => ({
    answer: performance.getEntriesByType("navigation")[0].responseEnd,
    paint: performance.getEntriesByName("first-contentful-paint")[0].startTime,
    parsed: performance.getEntriesByType("navigation")[0].domInteractive,
  }));
  if (address.startsWith("/trend")) {
    await page.waitForFunction(() => document.querySelectorAll("#trends.live .uplot").length > 0 && !document.querySelector("#trends.waiting"));
    ms.drawn = await page.evaluate(() => performance.now());
  }
  const all = await Promise.all(bodies);
  await context.close();
  const bytes = all.reduce((sum, [, body]) => sum + zlib.gzipSync(body).length, 0);
  return { ms, bytes, requests: all.length, urls: all.map(([url]) => url.replace(base, "")) };
}

const middle = (values) => values.toSorted((a, b) => a - b)[Math.floor(values.length / 2)];

for (const budget of PAGES) {
  test(`the ${budget.name} page keeps its budget`, async () => {
    const looks = [];
    for (let index = 0; index < LOOKS; index += 1) looks.push(await look(budget));
    const of = (key) => middle(looks.map((one) => one.ms[key])).toFixed(0);
    const drawn = looks[0].ms.drawn === undefined ? "" : `, by the script ${of("drawn")} ms`;
    const { bytes, requests, urls } = looks[0];
    console.log(`${budget.name}: ${(bytes / 1024).toFixed(1)} KB packed in ${requests} requests; at ${SLOWER}x slower: answer ${of("answer")} ms, first drawn ${of("paint")} ms, parsed ${of("parsed")} ms${drawn}`);
    assert.ok(bytes <= budget.kb * 1024, `${bytes} bytes of ${budget.kb} KB: ${urls.join(" ")}`);
    assert.ok(requests <= MOST_REQUESTS, `${requests} requests: ${urls.join(" ")}`);
  });
}
