// Other ways to use the pages in a real browser: keys alone, twice as large, without movement, over a network that comes and goes, over a
// week in which the clocks change.
//
// Reads what shared.mjs reads.

import assert from "node:assert/strict";
import net from "node:net";
import { after, before, test } from "node:test";
import { demo, DESKTOP, launch, until } from "./shared.mjs";

const base = demo();
// 1280 by 800 at 200 %: so many pixels of style are left.
const TWICE = { viewport: { width: 640, height: 400 }, deviceScaleFactor: 2 };
const ADDRESSES = [
  "/", "/alarms", "/alarms/fryer-inlet-cold", "/signals/TT-310", "/stations/fryer", "/trend", "/tanks", "/entries", "/holds", "/handover",
  "/records", "/batches", "/start-up", "/changeover", "/back-test",
];

let browser;

before(async () => {
  browser = await launch();
});

after(async () => browser?.close());

async function opened(address, options) {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  await page.goto(base + address, { waitUntil: "load" });
  return { page, context };
}

test("keys alone reach everything that can be pressed, in its order, and one sees where one is", async () => {
  for (const address of ["/", "/alarms/fryer-inlet-cold", "/holds", "/entries"]) {
    const { page, context } = await opened(address, DESKTOP);
    const wanted = await page.evaluate(() => {
      const all = document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']");
      const seen = [...all].filter((one) => one.checkVisibility({ contentVisibilityAuto: true, visibilityProperty: true }));
      seen.forEach((one, index) => one.setAttribute("data-nth", index));
      return seen.length;
    });
    assert.ok(wanted > 5, `${address} has ${wanted} things to press`);
    const reached = [];
    for (let n = 0; n < wanted; n += 1) {
      await page.keyboard.press("Tab");
      const { nth, seen } = await page.evaluate(() => {
        const one = document.activeElement;
        const style = getComputedStyle(one);
        return { nth: Number(one.getAttribute("data-nth") ?? -1), seen: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0 };
      });
      assert.ok(seen, `${address}: number ${nth} does not show that it is at hand`);
      reached.push(nth);
    }
    assert.deepEqual(reached, [...Array(wanted).keys()], `${address}: the order of the keys is not that of the page`);
    await context.close();
  }
});

test("what is folded opens by the keyboard", async () => {
  const { page, context } = await opened("/alarms/fryer-inlet-cold", DESKTOP);
  const folded = page.locator("main summary").first();
  await folded.focus();
  await page.keyboard.press("Enter");
  assert.equal(await folded.evaluate((one) => one.parentElement.open), true);
  await context.close();
});

test("at twice the size nothing is cut off and no page scrolls sideways", async () => {
  const { page, context } = await opened("/", TWICE);
  for (const address of ADDRESSES) {
    await page.goto(base + address, { waitUntil: "load" });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    assert.ok(wide <= 0, `${address} is ${wide} px wider than the screen`);
    const cut = await page.evaluate(() => {
      const hides = (one) => ["hidden", "clip"].includes(getComputedStyle(one).overflowX) && one.scrollWidth > one.clientWidth + 1;
      return [...document.querySelectorAll("main *")].filter((one) => !one.closest(".unseen, svg, canvas, .u-wrap") && hides(one)).map((one) => one.className);
    });
    assert.deepEqual(cut, [], `${address} cuts off what does not fit`);
  }
  await context.close();
});

test("nothing moves by itself for whoever wants it still, nor for anybody else", async () => {
  for (const reducedMotion of ["reduce", "no-preference"]) {
    const { page, context } = await opened("/", { ...DESKTOP, reducedMotion });
    for (const address of ["/", "/alarms", "/trend", "/wall", "/entries"]) {
      await page.goto(base + address, { waitUntil: "load" });
      await page.waitForTimeout(300);
      assert.equal(await page.evaluate(() => document.getAnimations().length), 0, `${address}, ${reducedMotion}`);
    }
    await context.close();
  }
});

/** A way to the page that can be cut: everything that is under way, and every new try. */
function cable() {
  const { hostname, port } = new URL(base);
  const open = new Set();
  let isCut = false;
  const server = net.createServer((near) => {
    if (isCut) return near.destroy();
    const far = net.connect(Number(port), hostname);
    for (const [one, other] of [[near, far], [far, near]]) {
      open.add(one);
      one.pipe(other);
      one.on("error", () => {});
      one.on("close", () => {
        open.delete(one);
        other.destroy();
      });
    }
  });
  return new Promise((resolve) => {
    server.listen(0, "127.0.0.1", () => {
      resolve({
        address: `http://127.0.0.1:${server.address().port}`,
        cut: () => {
          isCut = true;
          for (const one of open) one.destroy();
        },
        mend: () => {
          isCut = false;
        },
        end: () => {
          for (const one of open) one.destroy();
          server.close();
        },
      });
    });
  });
}

test("over a network that goes and comes back the page says since when it is old, and takes up by itself", async () => {
  const way = await cable();
  const { page, context } = await opened("/", DESKTOP);
  await page.goto(`${way.address}/signals/TT-310`, { waitUntil: "load" });
  await until(async () => (await page.textContent(".age")).includes("under 2 s"), 20_000, "no live data");
  way.cut();
  await until(() => page.isVisible("#silence"), 20_000, "no word of the silence");
  assert.match(await page.textContent("#silence"), /^No (data since \d\d:\d\d:\d\d|live data)/);
  const before = await page.textContent(".age");
  way.mend();
  await until(() => page.isHidden("#silence"), 30_000, "it did not take up again");
  await until(async () => (await page.textContent(".age")) !== before, 10_000, "the words stay old");
  await context.close();
  way.end();
});

test("the week in which the clocks change has 169 hours, and each hour stands once at its own place", async () => {
  const zone = (await (await fetch(`${base}/api/v1/line`)).json()).item.time_zone;
  assert.equal(zone, "America/Chicago", "the clocks of the demo change on 2026-11-01");
  const week = "from=2026-10-31T00:00&to=2026-11-07T00:00";
  const shown = await (await fetch(`${base}/api/v1/trend?signals=TT-310&${week}`)).json();
  assert.equal((Date.parse(shown.to) - Date.parse(shown.from)) / 3_600_000, 169);
  const { page, context } = await opened(`/trend?signals=TT-310&${week}`, { ...DESKTOP, javaScriptEnabled: false });
  const text = await page.innerText("main");
  assert.match(text, /Sat 2026-10-31 00:00 to Sat 2026-11-07 00:00 · 7 d 1 h/);
  // The hour that comes twice is two hours of the axis: both are there, told apart by their place alone.
  await page.goto(`${base}/trend?signals=TT-310&from=2026-11-01T00:00&to=2026-11-01T04:00`, { waitUntil: "load" });
  assert.match(await page.innerText("main"), /· 5 h/);
  const twice = (await page.innerText("main")).match(/01:00/g) ?? [];
  assert.ok(twice.length >= 2, `01:00 stands ${twice.length} times`);
  await context.close();
});
