// Keeps an open page fresh. Every page is complete without this file.
//
// Texts (data-t) change at most every two seconds, so that digits can be read; markers (data-x, data-w) at once.
// When the set or state of things changes, the page's own markup is fetched again and the regions are swapped,
// but never under a finger or while something is being typed or chosen, and what a person did there is carried over.

const SILENT_AFTER_MS = 3500;
const DIGITS_EVERY_MS = 2000;
const REFRESH_EVERY_MS = 30000;
// A page that moves on by itself says so.
let refreshEveryMs = Number(document.body.dataset.every ?? 0) * 1000 || REFRESH_EVERY_MS;
const HANDS_OFF_MS = 2500;
const TYPING_MS = 20000;
const RETRY_MS = 10000;
// An answer to a form, and a page that is gone, can't be fetched again: after so many tries the page says so.
const MISSES_MOST = 2;

const silence = document.getElementById("silence");
let source = null;
let shape = document.body.dataset.shape;
let wantedShape = shape;
let pending = new Map();
let lastHeard = performance.now();
let lastClock = "";
let lastDigits = 0;
let lastRefresh = performance.now();
let lastTouch = -HANDS_OFF_MS;
let fetching = false;
let retryAt = 0;
let misses = 0;

function elementsNamed(kind, name) {
  return document.querySelectorAll(`[data-${kind}="${CSS.escape(name)}"]`);
}

function showTexts() {
  for (const [name, text] of pending) {
    for (const element of elementsNamed("t", name)) {
      if (element.textContent !== text) element.textContent = text;
    }
  }
  pending.clear();
  lastDigits = performance.now();
}

function showPlaces(place) {
  for (const [name, value] of Object.entries(place)) {
    for (const element of elementsNamed("x", name)) element.setAttribute("transform", `translate(${value} 0)`);
    for (const element of elementsNamed("w", name)) element.setAttribute("width", value);
  }
}

function heard(event) {
  const frame = JSON.parse(event.data);
  lastHeard = performance.now();
  lastClock = frame.clock;
  silence.hidden = misses < MISSES_MOST;
  for (const [name, text] of Object.entries(frame.text)) pending.set(name, text);
  showPlaces(frame.place);
  wantedShape = frame.shape;
}

function open() {
  if (source || document.hidden) return;
  source = new EventSource(document.body.dataset.events);
  source.onmessage = heard;
  source.onerror = () => {
    // After a refusal the browser gives up by itself; a lost connection it opens again.
    if (source && source.readyState === EventSource.CLOSED) {
      source = null;
      retryAt = performance.now() + RETRY_MS;
    }
  };
}

function close() {
  if (source) source.close();
  source = null;
}

function handsOff() {
  // A field left open must not hold back a new alarm for long; what was typed is carried over.
  const typing = document.activeElement && document.activeElement.matches("input, select, textarea");
  return performance.now() - lastTouch > (typing ? TYPING_MS : HANDS_OFF_MS);
}

// Where the page's own markup is: what the last form came to is told once.
function ownAddress() {
  const asked = new URLSearchParams(location.search);
  for (const once of ["said", "of"]) asked.delete(once);
  return location.pathname + (asked.size > 0 ? `?${asked}` : "");
}

// A document parsed by the browser from an answer runs no script and needs no string turned into markup.
function fetchPage(done) {
  const request = new XMLHttpRequest();
  request.open("GET", document.body.dataset.fresh ?? ownAddress());
  request.responseType = "document";
  request.timeout = 8000;
  request.onloadend = () => done(request.status < 500 ? request.response : null, request.status);
  request.send();
}

// A form with what it is about: what was written about one occurrence is not said of the next.
function formKey(form) {
  return `${form.getAttribute("action")} ${form.querySelector("input[name=occurrence]")?.value ?? ""}`;
}

// The fields of all forms by form and name.
function fields(page) {
  const all = new Map();
  for (const field of page.querySelectorAll("form :is(input:not([type=hidden]), select, textarea)")) {
    const choice = /^(checkbox|radio)$/.test(field.type) ? field.defaultValue : "";
    let key = `${formKey(field.form ?? field.closest("form"))} ${field.name} ${choice}`;
    while (all.has(key)) key += "+";
    all.set(key, field);
  }
  return all;
}

// What can be opened: by its own name, else by the form in it, else by its words.
function foldKey(fold) {
  return fold.id || fold.querySelector("form")?.getAttribute("action") || fold.querySelector("summary")?.textContent;
}

function carryOver(before, now, focused) {
  for (const [key, field] of before) {
    const other = now.get(key);
    if (!other || other === field) continue;
    if (field.matches("select")) {
      const chosen = [...field.options].some((option) => option.selected !== option.defaultSelected);
      if (chosen && [...other.options].some((option) => option.value === field.value)) other.value = field.value;
    } else if (/^(checkbox|radio)$/.test(field.type)) {
      if (field.checked !== field.defaultChecked) other.checked = field.checked;
    } else if (field.value !== field.defaultValue) other.value = field.value;
    if (field === focused) other.focus({ preventScroll: true });
  }
}

function swap(fresh) {
  const before = fields(document);
  const focused = document.activeElement;
  // What a person opened stays open.
  const folds = new Map([...document.querySelectorAll("details")].map((fold) => [foldKey(fold), fold.open]));
  for (const fold of fresh.querySelectorAll("details")) fold.open = folds.get(foldKey(fold)) ?? fold.open;
  for (const region of document.querySelectorAll("[data-region]")) {
    const other = fresh.getElementById(region.id);
    if (other) region.replaceChildren(...document.adoptNode(other).childNodes);
  }
  carryOver(before, fields(document), focused);
  shape = fresh.body.dataset.shape;
  refreshEveryMs = Number(fresh.body.dataset.every ?? 0) * 1000 || REFRESH_EVERY_MS;
}

function refresh() {
  fetching = true;
  fetchPage((fresh, status) => {
    fetching = false;
    lastRefresh = performance.now();
    const usable = fresh && fresh.body && fresh.getElementById("main");
    if (usable) misses = 0;
    // A server that does not answer is another matter: its silence is told, and ends.
    else if (status >= 200 && status < 500) misses += 1;
    // The finger may have come down in the meantime.
    if (usable && handsOff()) swap(fresh);
  });
}

function tick() {
  const now = performance.now();
  if (document.hidden) return;
  if (!source && now > retryAt) open();
  if (pending.size > 0 && now - lastDigits >= DIGITS_EVERY_MS) showTexts();
  if (now - lastHeard > SILENT_AFTER_MS) {
    silence.textContent = lastClock ? `No data since ${lastClock}: the values below are old` : "No live data: the values below are from when the page was opened";
    silence.hidden = false;
  } else if (misses >= MISSES_MOST) {
    silence.textContent = "This page is not kept fresh any more: open it anew";
    silence.hidden = false;
  }
  const changed = wantedShape !== shape && now - lastRefresh > DIGITS_EVERY_MS;
  const due = now - lastRefresh > refreshEveryMs;
  if ((changed || due) && !fetching && handsOff()) refresh();
}

function touched() {
  lastTouch = performance.now();
}

for (const kind of ["pointerdown", "pointermove", "touchmove", "keydown", "scroll"]) {
  addEventListener(kind, touched, { passive: true });
}
document.addEventListener("visibilitychange", () => {
  if (document.hidden) {
    close();
  } else {
    lastHeard = performance.now();
    open();
  }
});
addEventListener("pagehide", close);
open();
setInterval(tick, 250);
