// The page's door in a real browser: signing in on a phone without scripts, what a viewer sees, signing out.
//
// Starts a daemon of its own: SETWARD_BIN is the program, SETWARD_FOLDER an empty folder for its line.

import assert from "node:assert/strict";
import { execFileSync, spawn } from "node:child_process";
import fs from "node:fs";
import path from "node:path";
import { after, before, test } from "node:test";
import { axeSource, launch, PHONE, shots } from "./shared.mjs";

const bin = process.env.SETWARD_BIN;
const folder = process.env.SETWARD_FOLDER;
assert.ok(bin && folder, "SETWARD_BIN and SETWARD_FOLDER are not set: the program, and an empty folder");
const WORDS = "blue tin under stairs";

let axe;
let base;
let pass;
let browser;
let daemon;

/** The demo's files, with users who must sign in even to look. */
function writeLine() {
  fs.cpSync(path.join(import.meta.dirname, "../../config/demo"), folder, { recursive: true });
  fs.rmSync(path.join(folder, ".setward"), { recursive: true, force: true });
  const site = path.join(folder, "site.toml");
  // Nobody answers at these ports: the door is what is looked at.
  const text = fs.readFileSync(site, "utf8").replaceAll("127.0.0.1:155", "127.0.0.1:9");
  fs.writeFileSync(site, `users = "users.toml"\nview = "login"\n${text}`);
  for (const [name, role] of [["Vera", "view"], ["Olga", "operate"]]) {
    execFileSync(bin, ["user", folder, "add", name, "--role", role], { input: `${WORDS}\n` });
  }
  pass = execFileSync(bin, ["user", folder, "add-display", "Fryer hall"]).toString().match(/^ +(\S+)$/m)[1];
}

async function greeting(process) {
  let told = "";
  for await (const chunk of process.stdout) {
    told += chunk;
    const found = told.match(/http:\/\/[0-9.:]+/);
    if (found) return found[0];
  }
  throw new Error(`the daemon ended: ${told}`);
}

before(async () => {
  writeLine();
  daemon = spawn(bin, ["run", folder, "--page", "127.0.0.1:0", "--for", "120 s"], { stdio: ["ignore", "pipe", "ignore"] });
  base = await greeting(daemon);
  browser = await launch();
  axe = axeSource();
});

after(async () => {
  await browser?.close();
  daemon?.kill();
});

async function check(page, name, scripts) {
  await page.screenshot({ path: path.join(shots, `doors-${name}.png`), fullPage: true });
  if (!scripts) return;
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert.ok(wide <= 0, `${name} is ${wide} px wider than the screen`);
  const found = await page.evaluate(`${axe}; axe.run(document, { resultTypes: ["violations"] })`);
  assert.deepEqual(found.violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.html).join(" ")}`), [], name);
}

async function signIn(page, name, words) {
  await page.getByLabel("Your name").fill(name);
  await page.getByLabel("Passphrase").fill(words);
  await page.getByRole("button", { name: "Sign in" }).click();
}

test("a phone signs in without scripts, and comes to where it wanted to go", async () => {
  const context = await browser.newContext({ ...PHONE, javaScriptEnabled: false });
  const page = await context.newPage();
  await page.goto(`${base}/alarms`);
  assert.match(page.url(), /\/login\?back=%2Falarms$/);
  await check(page, "login-no-scripts", false);
  const box = await page.getByRole("button", { name: "Sign in" }).boundingBox();
  assert.ok(box.y + box.height <= 640, "the button is on the first screen");
  assert.ok(box.height >= 56, "a glove finds it");
  await signIn(page, "Olga", "wrong words and more");
  assert.match(await page.textContent("main"), /do not belong together/);
  await signIn(page, "Olga", WORDS);
  assert.equal(page.url(), `${base}/alarms`);
  assert.match(await page.textContent("footer"), /Signed in: Olga \(operate\)/);
  await page.getByRole("button", { name: "Sign out" }).click();
  assert.match(page.url(), /\/login/);
  await context.close();
});

test("a viewer reads a sentence where others have a button, and axe finds nothing", async () => {
  const context = await browser.newContext(PHONE);
  const page = await context.newPage();
  await page.goto(`${base}/login`);
  await check(page, "login", true);
  await signIn(page, "Vera", WORDS);
  await page.goto(`${base}/alarms/communication.fryer`);
  await page.getByText("takes another role than yours").first().waitFor();
  assert.equal(await page.locator("form.acknowledge").count(), 0);
  await check(page, "viewer-alarm", true);
  await page.goto(`${base}/entries`);
  await page.locator("a.open").first().click();
  await page.getByText("takes another role than yours").waitFor();
  await check(page, "viewer-entry", true);
  await context.close();
});

test("whoever operates acts under the name of the session, which no form asks for", async () => {
  const context = await browser.newContext(PHONE);
  const page = await context.newPage();
  await page.goto(`${base}/alarms/communication.fryer`);
  await signIn(page, "Olga", WORDS);
  await page.getByRole("heading", { name: "Acknowledge" }).waitFor();
  assert.equal(await page.locator("input[name=by]").count(), 0);
  await check(page, "operator-alarm", true);
  await page.getByRole("button", { name: "Acknowledge" }).click();
  await page.getByText("acknowledged by Olga").first().waitFor();
  await context.close();
});

test("a screen on a wall is told its pass once, shows the wall alone, and nothing once the pass is taken back", async () => {
  const context = await browser.newContext({ viewport: { width: 1366, height: 768 } });
  const page = await context.newPage();
  await page.goto(`${base}/wall`);
  await page.getByRole("link", { name: "This screen hangs on a wall" }).click();
  await check(page, "display", true);
  await page.getByLabel("The display\u2019s pass").fill(pass.toLowerCase());
  await page.getByRole("button", { name: "Show the wall here" }).click();
  assert.equal(page.url(), `${base}/wall`);
  assert.match(await page.textContent("footer"), /Display: Fryer hall/);
  await page.waitForTimeout(4000);
  assert.equal(await page.isHidden("#silence"), true, "it has live data");
  await check(page, "display-wall", true);
  await page.goto(`${base}/alarms`);
  assert.match(page.url(), /\/login/);
  execFileSync(bin, ["user", folder, "remove-display", "Fryer hall"]);
  await page.goto(`${base}/wall`);
  assert.match(page.url(), /\/login/);
  await context.close();
});
