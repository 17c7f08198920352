// Keeps an open page fresh. Every page is complete without this file.
//
// Texts (data-t) change at most every two seconds, so that digits can be read; markers (data-x, data-w) at once.
// When the set or state of things changes, the page's own markup is fetched again and the regions are swapped,
// but never under a finger or while a name is being typed.

const SILENT_AFTER_MS = 3500;
const DIGITS_EVERY_MS = 2000;
const REFRESH_EVERY_MS = 30000;
// A page that moves on by itself says so.
let refreshEveryMs = Number(document.body.dataset.every ?? 0) * 1000 || REFRESH_EVERY_MS;
const HANDS_OFF_MS = 2500;
const TYPING_MS = 20000;
const RETRY_MS = 10000;

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
  silence.hidden = true;
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
  const typing = document.activeElement && document.activeElement.matches("input[type=text]");
  return performance.now() - lastTouch > (typing ? TYPING_MS : HANDS_OFF_MS);
}

// A document parsed by the browser from an answer runs no script and needs no string turned into markup.
function fetchPage(done) {
  const request = new XMLHttpRequest();
  request.open("GET", document.body.dataset.fresh ?? location.pathname + (document.body.dataset.every ? location.search : ""));
  request.responseType = "document";
  request.timeout = 8000;
  request.onloadend = () => done(request.status < 500 ? request.response : null);
  request.send();
}

function swap(fresh) {
  const typed = new Map();
  for (const input of document.querySelectorAll("input[type=text]")) typed.set(input.id, input.value);
  // What a person opened stays open.
  for (const one of document.querySelectorAll("details[id]")) {
    const other = fresh.getElementById(one.id);
    if (other) other.open = one.open;
  }
  for (const region of document.querySelectorAll("[data-region]")) {
    const other = fresh.getElementById(region.id);
    if (other) region.replaceChildren(...document.adoptNode(other).childNodes);
  }
  for (const [id, value] of typed) {
    const input = document.getElementById(id);
    if (input && value) input.value = value;
  }
  shape = fresh.body.dataset.shape;
  refreshEveryMs = Number(fresh.body.dataset.every ?? 0) * 1000 || REFRESH_EVERY_MS;
}

function refresh() {
  fetching = true;
  fetchPage((fresh) => {
    fetching = false;
    lastRefresh = performance.now();
    // The finger may have come down in the meantime.
    if (fresh && fresh.body && fresh.getElementById("main") && handsOff()) swap(fresh);
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
