// What the browser tests have in common: where the page is, the browser, screens, waiting. Holds no test.
//
// Reads from the environment:
//   SETWARD_URL         where the page is, "http://127.0.0.1:8470"
//   SETWARD_SHOTS       folder for screenshots (made if missing)
//   SETWARD_PLAYWRIGHT  path of playwright-core's index.mjs; else it is resolved like any package
//   SETWARD_AXE         path of axe-core's axe.min.js; else it is resolved like any package
//   SETWARD_CHROMIUM    path of the browser, else /usr/bin/chromium

import assert from "node:assert/strict";
import fs from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";
import { pathToFileURL } from "node:url";

const playwright = process.env.SETWARD_PLAYWRIGHT
  ? await import(pathToFileURL(path.resolve(process.env.SETWARD_PLAYWRIGHT)))
  : await import("playwright-core");

export const shots = process.env.SETWARD_SHOTS ?? "shots";
fs.mkdirSync(shots, { recursive: true });

export const PHONE = { viewport: { width: 360, height: 640 }, deviceScaleFactor: 2, isMobile: true, hasTouch: true };
export const NARROW = { viewport: { width: 320, height: 640 }, deviceScaleFactor: 2, isMobile: true, hasTouch: true };
export const DESKTOP = { viewport: { width: 1280, height: 800 } };

/** Where a running demo is. */
export function demo() {
  const base = process.env.SETWARD_URL;
  assert.ok(base, "SETWARD_URL is not set: start `setward demo` and give its address");
  return base;
}

/** A browser of its own. */
export const launch = () =>
  playwright.chromium.launch({
    executablePath: process.env.SETWARD_CHROMIUM ?? "/usr/bin/chromium",
    headless: true,
    args: [
      "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
      "--disable-component-update", "--disable-sync",
    ],
  });

/** The text of the checker that looks for what keeps people out. */
export const axeSource = () =>
  fs.readFileSync(process.env.SETWARD_AXE ?? createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

/** Polls until `check` gives something, or fails after `patienceMs`. */
export async function until(check, patienceMs, what) {
  const end = Date.now() + patienceMs;
  for (;;) {
    const found = await check();
    if (found) return found;
    assert.ok(Date.now() < end, `${what}: not within ${patienceMs / 1000} s`);
    await new Promise((resolve) => setTimeout(resolve, 250));
  }
}
