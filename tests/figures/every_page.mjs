// Pictures of every page at the size of a phone and of a desktop, light and dark, from a running demo. No test: somebody looks at them.
//
//   setward demo --page 127.0.0.1:8470        (wait until it says that the week is over)
//   SETWARD_URL=http://127.0.0.1:8470 SETWARD_SHOTS=shots node tests/figures/every_page.mjs [PATTERN OF A NAME]
//
// With SETWARD_BIN, the program, it starts a line of its own too, whose controllers do not answer and whose people sign in: the pages of
// the door, and every page with nothing to show. It closes, shelves and notes on the demo, so that those pages have something to say.
// Reads what tests/browser/shared.mjs reads.

import { execFileSync, spawn } from "node:child_process";
import fs from "node:fs";
import os from "node:os";
import path from "node:path";
import { demo as running, launch, shots } from "../browser/shared.mjs";

const demo = running();
const bin = process.env.SETWARD_BIN;
const only = process.argv[2];
const PHONE = { viewport: { width: 360, height: 640 }, isMobile: true, hasTouch: true };
const DESKTOP = { viewport: { width: 1280, height: 800 } };
const WALL = { width: 1920, height: 1080 };
const SMALL_WALL = { width: 1366, height: 768 };
const WORDS = "blue tin under stairs";

const json = async (address) => (await fetch(demo + address)).json();
const tell = (address, body) =>
  fetch(demo + address, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
const line = (await json("/api/v1/line")).item;
const { items: alarms, run } = await json("/api/v1/alarms");
const signals = (await json("/api/v1/signals")).items;
const batches = (await json("/api/v1/batches")).batches ?? [];
const entries = (await json("/api/v1/entries")).items ?? [];
const alarm = alarms.find((one) => one.standing && one.signal) ?? alarms[0];
const kinds = Object.values(Object.fromEntries(alarms.map((one) => [one.kind, one.id])));
const doubtful = signals.find((one) => one.quality !== "good")?.tag ?? "TT-310";

// What is closed, shelved and tried, so that there is something to see.
const called = alarms.find((one) => one.raised_at && one.occurrence > 0 && one.id !== alarm.id) ?? alarm;
await tell(`/api/v1/alarms/${called.id}/close`, { occurrence: called.occurrence, cause: "oil", note: "Strainer of pump 2 changed", by: "Ana" });
const shelved = alarms.find((one) => one.kind === "limit" && !one.active) ?? alarms[0];
await tell(`/api/v1/alarms/${shelved.id}/shelve`, { run, occurrence: shelved.occurrence, for_s: 1800, by: "Ana", why: "Probe is being changed" });
await tell("/api/v1/back-tests", { alarm: "fryer-inlet-cold", numbers: { allowance: "120 K.s" }, days: 1, by: "Ana" });
const tests = (await json("/api/v1/back-tests")).back_tests ?? [];

const now = new Date((await json("/api/v1/line")).at);
/** So many hours before the line's own time, as an address has it. */
const ago = (hours) => new Date(now.getTime() - hours * 3_600_000).toISOString();

/** A page of the demo as it is opened. */
const at = (address) => ({ name: address, open: (page, base) => page.goto(base + address, { waitUntil: "load" }) });

/** What answers a form with these fields; sent from `from`, as a browser does. */
const answer = (name, from, action, fields) => ({
  name,
  open: async (page, base) => {
    await page.goto(base + from, { waitUntil: "load" });
    const arrived = page.waitForNavigation({ waitUntil: "load" });
    await page.evaluate(
      ([to, all]) => {
        const form = Object.assign(document.createElement("form"), { method: "post", action: to });
        for (const [key, value] of Object.entries(all)) form.append(Object.assign(document.createElement("input"), { name: key, value }));
        document.body.append(form);
        form.submit();
      },
      [action, fields],
    );
    await arrived;
  },
});

const ofDemo = [
  ...[
    "/", "/alarms", "/tanks", "/entries", "/trend", "/trend?signals=TT-310&last=8h", `/trend?signals=TT-310&from=${ago(8)}&to=${ago(0)}&against=${ago(32)}`,
    "/handover", "/handover?last=1", "/batches", "/holds", `/holds?alarm=${alarm.id}`, "/records", "/alarm-report", "/start-up", "/changeover", "/wall",
    "/wall?scheme=dark", "/back-test", "/back-test/fryer-inlet-cold", "/back-test/fryer-oil-high.TT-310",
    ...tests.slice(0, 2).map((one) => `/back-tests/${one.n}`),
    ...line.stations.map((station) => `/stations/${station.key}`),
    ...new Set([...kinds, alarm.id, called.id, shelved.id].map((id) => `/alarms/${id}`)),
    "/signals/TT-310", "/signals/KY-340", "/signals/XI-310", `/signals/${doubtful}`,
    ...entries.slice(0, 1).map((entry) => `/entries/${entry.tag}`),
    ...batches.slice(0, 1).map((batch) => `/batches/${batch.id}`),
    "/no-such-page", "/alarms/no-such-alarm", "/signals/TT-31", "/trend?last=9y", "/login",
  ].map(at),
  answer("stale acknowledgement", `/alarms/${alarm.id}`, `/alarms/${alarm.id}/acknowledge`, { run: 999, occurrence: 1, by: "Ana" }),
  answer("form without a name", `/alarms/${alarm.id}`, `/alarms/${alarm.id}/acknowledge`, { run, occurrence: alarm.occurrence, by: "" }),
  answer("entry that is no number", "/entries", `/entries/${entries[0]?.tag}`, { value: "abc", by: "Ana" }),
  answer("entry that is hardly possible", "/entries", `/entries/${entries[0]?.tag}`, { value: "99", by: "Ana" }),
  answer("back-test that can not be", "/back-test/fryer-inlet-cold", "/back-test/fryer-inlet-cold", { allowance: "240 kg", days: "7", by: "Ana" }),
  answer("form that did not arrive whole", "/holds", "/holds", { why: "x" }),
];
const printed = ["/handover", "/holds", "/records", `/alarms/${alarm.id}`, "/trend?signals=TT-310&last=8h", ...batches.slice(0, 1).map((one) => `/batches/${one.id}`)].map(at);

/** A line of its own with users, whose controllers do not answer; its address, and the way to end it. */
async function ownLine() {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), "setward-pages-"));
  fs.cpSync(path.join(import.meta.dirname, "../../config/demo"), folder, { recursive: true });
  fs.rmSync(path.join(folder, ".setward"), { recursive: true, force: true });
  const site = path.join(folder, "site.toml");
  const text = fs.readFileSync(site, "utf8").replaceAll("127.0.0.1:155", "127.0.0.1:9");
  fs.writeFileSync(site, `users = "users.toml"\nview = "login"\n${text}`);
  const daemon = spawn(bin, ["run", folder, "--page", "127.0.0.1:0", "--for", "10 min"], { stdio: ["ignore", "pipe", "ignore"] });
  let told = "";
  for await (const chunk of daemon.stdout) {
    told += chunk;
    if (/key=\S+\s/.test(told)) break;
  }
  const first = told.match(/(http:\/\/[0-9.:]+)(\/first\?key=\S+)/);
  return {
    base: first[1],
    first: first[2],
    users: () => {
      for (const [name, role] of [["Vera", "view"], ["Ella", "engineer"]]) {
        execFileSync(bin, ["user", folder, "add", name, "--role", role], { input: `${WORDS}\n` });
      }
      return execFileSync(bin, ["user", folder, "add-display", "Fryer hall"]).toString().match(/^ +(\S+)$/m)[1];
    },
    end: () => {
      daemon.kill();
      fs.rmSync(folder, { recursive: true, force: true });
    },
  };
}

const browser = await launch();
let count = 0;

async function picture(page, base, { name, open }, prefix) {
  if (only && !new RegExp(only).test(name)) return;
  await open(page, base);
  const file = `${`${prefix} ${name}`.replaceAll(/[^a-z0-9.]+/gi, "-")}.png`;
  await page.screenshot({ path: path.join(shots, file), fullPage: !name.startsWith("/wall") });
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  if (wide > 0) console.log(`${file}: ${wide} px too wide`);
  count += 1;
}

/** Runs `each` with a page of every size and colour. */
async function everyLook(each) {
  for (const [device, options] of [["phone", PHONE], ["desktop", DESKTOP]]) {
    for (const colorScheme of ["light", "dark"]) {
      const context = await browser.newContext({ ...options, colorScheme });
      await each(await context.newPage(), `${device}-${colorScheme}`, options.viewport);
      await context.close();
    }
  }
}

await everyLook(async (page, prefix, viewport) => {
  for (const one of ofDemo) {
    const isWall = one.name.startsWith("/wall") && prefix.startsWith("desktop");
    if (isWall) await page.setViewportSize(WALL);
    await picture(page, demo, one, prefix);
    if (isWall) {
      await page.setViewportSize(SMALL_WALL);
      await picture(page, demo, one, `${prefix}-small`);
      await page.setViewportSize(viewport);
    }
  }
});
const paper = await (await browser.newContext({ viewport: { width: 794, height: 1123 } })).newPage();
await paper.emulateMedia({ media: "print" });
for (const one of printed) await picture(paper, demo, one, "print-");

if (bin) {
  const own = await ownLine();
  try {
    await everyLook((page, prefix) => picture(page, own.base, { ...at(own.first), name: "first user" }, `${prefix}-own-`));
    const pass = own.users();
    const signIn = (name) => answer(`signed in as ${name}`, "/login", "/login", { name, passphrase: WORDS, back: "/" });
    await everyLook(async (page, prefix) => {
      const show = (one) => picture(page, own.base, one, `${prefix}-own-`);
      await show(at("/login"));
      await show(answer("wrong passphrase", "/login", "/login", { name: "Vera", passphrase: "wrong words", back: "/" }));
      await show(at("/display"));
      await show(answer("wrong pass", "/display", "/display", { pass: "K7QF" }));
      await show(answer("/wall of a display", "/display", "/display", { pass }));
      await show(signIn("Vera"));
      await show(answer("not permitted", "/holds", "/sign-offs", {}));
      for (const address of ["/alarms", "/tanks", "/entries", "/trend", "/batches", "/holds", "/handover", "/records", "/start-up", "/stations/fryer", "/signals/TT-310", "/alarms/fryer-inlet-cold"]) {
        await show(at(address));
      }
    });
  } finally {
    own.end();
  }
}
await browser.close();
console.log(`${count} pictures in ${shots}`);
