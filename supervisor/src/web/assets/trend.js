// A quicker hand for the trend page, which is complete without this file: a cursor across all panes, zoom and pan by drag,
// wheel, fingers, keys and buttons. What is shown is always in the address.
//
// One answer of /api/v1/trend draws all panes. The page's other parts (words, lanes, statistics, notes) come from the page
// itself, fetched again once the hand rests.

const SHORTEST_MS = 10_000;
const LONGEST_MS = 400 * 24 * 3_600_000;
const COLUMNS_MAX = 2000;
const GUTTER = 56;
const ABOUT_BAND = 1.5;
const FETCH_AFTER_MS = 120;
const PARTS_AFTER_MS = 600;
const PARTS = ["stretch", "choice", "lanes", "statistics", "alarm-list", "notes", "downloads"];

const section = document.getElementById("trends");
const readout = document.getElementById("cursor");
const hand = document.getElementById("hand");
const zone = section?.dataset.zone ?? "UTC";
const opened = { from: Number(section?.dataset.from), to: Number(section?.dataset.to) };
const nowAtLoad = Number(section?.dataset.now);
let view = { ...opened };
let answer = null;
let panes = [];
let colours = {};
let asking = null;
let waiting = 0;
let fetchTimer = 0;
let partsTimer = 0;

const clock = (options) => new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", ...options });
const timeOfDay = clock({ hour: "2-digit", minute: "2-digit" });
const withSeconds = clock({ hour: "2-digit", minute: "2-digit", second: "2-digit" });
const day = clock({ weekday: "short", day: "2-digit" });
const date = new Intl.DateTimeFormat("sv-SE", { timeZone: zone });
const weekday = clock({ weekday: "short" });

function readColours() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(`--${name}`).trim();
  colours = Object.fromEntries(["text", "soft", "edge", "trace", "band", "panel", "shade", "area", "high"].map((name) => [name, of(name)]));
}

// The address of this view, of the page or of the answer that draws it.
function address(path, more = {}) {
  const query = new URLSearchParams(location.search);
  for (const key of ["last", "said", "columns", "parts"]) query.delete(key);
  query.delete("signals");
  query.set("signals", panes.map((pane) => pane.tag).join(","));
  query.set("from", new Date(view.from).toISOString().replace(".000Z", "Z"));
  query.set("to", new Date(view.to).toISOString().replace(".000Z", "Z"));
  for (const [key, value] of Object.entries(more)) query.set(key, value);
  return `${path}?${query.toString().replaceAll("%2C", ",").replaceAll("%3A", ":")}`;
}

// Moves the view, within what can be asked; draws what is known at once and fetches the rest.
function show(from, to) {
  const latest = nowAtLoad + performance.now() + 60_000;
  let length = Math.round(Math.min(Math.max(to - from, SHORTEST_MS), LONGEST_MS) / 1000) * 1000;
  let start = Math.round((from + to - length) / 2000) * 1000;
  // Beyond now there is nothing to see; a page that was opened so may stay so.
  const end = Math.max(Math.ceil(latest / 1000) * 1000, opened.to);
  if (start + length > end) start = Math.max(end - length, Math.min(start, opened.from));
  view = { from: start, to: start + length };
  redraw();
  clearTimeout(fetchTimer);
  clearTimeout(partsTimer);
  fetchTimer = setTimeout(ask, FETCH_AFTER_MS);
}

const width = () => view.to - view.from;
const pan = (share) => show(view.from + width() * share, view.to + width() * share);
function zoom(factor, about = 0.5) {
  const middle = view.from + width() * about;
  show(middle - width() * about * factor, middle + width() * (1 - about) * factor);
}
const back = () => show(opened.from, opened.to);

async function ask() {
  asking?.abort();
  const mine = new AbortController();
  asking = mine;
  waiting += 1;
  section.classList.add("waiting");
  const columns = Math.max(50, Math.min(COLUMNS_MAX, Math.round(section.clientWidth - GUTTER)));
  const asked = { ...view };
  try {
    const response = await fetch(address("/api/v1/trend", { columns, parts: "panes" }), { signal: mine.signal });
    if (!response.ok) return;
    answer = prepare(await response.json());
    setData();
    // Until there is something to draw, the still drawing stands.
    section.classList.add("live");
    const isMoved = asked.from !== opened.from || asked.to !== opened.to || !location.search.includes("last=");
    if (isMoved && location.search + location.hash !== address("")) history.replaceState(null, "", address(location.pathname));
    if (section.dataset.from !== String(asked.from) || section.dataset.to !== String(asked.to)) partsTimer = setTimeout(parts, PARTS_AFTER_MS);
  } catch (error) {
    // An answer that was overtaken is no trouble; any other leaves what is drawn, and the live part of the page says so.
    if (error.name !== "AbortError") console.info("the trend was not fetched");
  } finally {
    waiting -= 1;
    if (waiting === 0) section.classList.remove("waiting");
  }
}

// Makes of each signal's columns what a chart takes: places, values, and nothing where a gap is.
function prepare(body) {
  const from = Date.parse(body.from);
  const column = (Date.parse(body.to) - from) / body.columns;
  const rows = (signal, joined) => {
    const data = [[], [], [], []];
    let last = null;
    const put = (at, ...values) => [at, ...values].forEach((value, index) => data[index].push(value));
    signal.mean.forEach((mean, index) => {
      const at = (from + (index + 0.5) * column) / 1000;
      if (mean === null) {
        if (signal.quality[index] === "b" && last !== null) { put(at, null, null, null); last = null; }
        return;
      }
      if (last !== null && index - last > joined) put(at - column / 1000, null, null, null);
      put(at, signal.highest[index], signal.lowest[index], mean);
      last = index;
    });
    return data;
  };
  return {
    from,
    column,
    span: [from, Date.parse(body.to)],
    signals: body.signals.map((signal) => ({
      ...signal,
      data: rows(signal, signal.joined_columns),
      other: signal.against ? rows(signal.against, signal.joined_columns) : null,
      asked: signal.asked.map((one) => ({ ...one, from: Date.parse(one.from) })),
      stops: signal.not_running.map((one) => ({ ...one, from: Date.parse(one.from), to: Date.parse(one.to) })),
    })),
  };
}

// What was asked at a moment.
const askedAt = (signal, at) => signal.asked.findLast((one) => one.from <= at) ?? null;

// The axis stays about the recipe's band, unless every value is to be seen.
function limits(signal) {
  const all = new URLSearchParams(location.search).get("axis") === "all";
  const bands = signal.asked.filter((one) => one.low !== null && one.high > one.low);
  if (bands.length > 0 && !all) {
    const room = (one) => ABOUT_BAND * (one.high - one.low);
    return [Math.min(...bands.map((one) => one.low - room(one))), Math.max(...bands.map((one) => one.high + room(one)))];
  }
  const values = [...signal.data[1], ...signal.data[2], ...signal.asked.flatMap((one) => [one.setpoint, one.low, one.high])];
  const known = values.filter((value) => value !== null);
  if (known.length === 0) return [0, 1];
  const [low, high] = [known.reduce((a, b) => Math.min(a, b)), known.reduce((a, b) => Math.max(a, b))];
  const spare = Math.max((high - low) * 0.05, Math.max(Math.abs(high), 1) * 1e-3);
  return [low >= 0 ? Math.max(low - spare, 0) : low - spare, high + spare];
}

function onPlot(chart, draw) {
  const { ctx, bbox } = chart;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  draw(ctx, bbox, (at) => chart.valToPos(at / 1000, "x", true), (value) => chart.valToPos(value, "y", true));
  ctx.restore();
}

// Below the lines: paper, tolerance, and when the station was not in run.
function drawBelow(chart, pane) {
  onPlot(chart, (ctx, box, x, y) => {
    ctx.fillStyle = colours.panel;
    ctx.fillRect(box.left, box.top, box.width, box.height);
    const signal = pane.signal;
    if (!signal) return;
    const ratio = devicePixelRatio;
    signal.asked.forEach((one, index) => {
      const [left, right] = [x(one.from), x(signal.asked[index + 1]?.from ?? answer.span[1])];
      ctx.lineWidth = ratio;
      if (one.low !== null) {
        ctx.fillStyle = colours.band;
        ctx.fillRect(left, y(one.high), right - left, y(one.low) - y(one.high));
      }
    });
    for (const stop of signal.stops) {
      const [left, right] = [x(stop.from), x(stop.to)];
      ctx.fillStyle = colours.shade;
      ctx.fillRect(left, box.top, Math.max(right - left, 1), box.height);
      ctx.fillStyle = colours.text;
      ctx.font = `${12 * ratio}px system-ui, sans-serif`;
      ctx.textAlign = "center";
      if (right - left > ctx.measureText(stop.text).width + 8) ctx.fillText(stop.text, (left + right) / 2, box.top + 14 * ratio);
    }
    signal.asked.forEach((one, index) => {
      const [left, right] = [x(one.from), x(signal.asked[index + 1]?.from ?? answer.span[1])];
      const line = (value, colour, dash) => {
        ctx.strokeStyle = colour;
        ctx.setLineDash(dash);
        ctx.beginPath();
        ctx.moveTo(left, y(value));
        ctx.lineTo(right, y(value));
        ctx.stroke();
      };
      if (one.low !== null) for (const edge of [one.low, one.high]) line(edge, colours.edge, []);
      if (one.setpoint !== null) line(one.setpoint, colours.text, [6 * ratio, 4 * ratio]);
    });
  });
}

// Above the lines: what lies outside, the other stretch, and what stands on no good value.
function drawAbove(chart, pane) {
  const signal = pane.signal;
  if (!signal) return;
  onPlot(chart, (ctx, box, x, y) => {
    const ratio = devicePixelRatio;
    ctx.strokeStyle = colours.high;
    ctx.lineWidth = 2.5 * ratio;
    ctx.beginPath();
    signal.mean.forEach((mean, index) => {
      const at = answer.from + (index + 0.5) * answer.column;
      const asked = mean === null ? null : askedAt(signal, at);
      if (!asked || asked.low === null) return;
      const [low, high] = [signal.lowest[index], signal.highest[index]];
      const piece = (from, to) => { ctx.moveTo(x(at), y(from)); ctx.lineTo(x(at), y(to)); };
      if (high > asked.high) piece(high, Math.max(asked.high, low));
      if (low < asked.low) piece(Math.min(asked.low, high), low);
    });
    ctx.stroke();
    if (signal.other) {
      ctx.strokeStyle = colours.soft;
      ctx.lineWidth = 1.6 * ratio;
      ctx.setLineDash([2 * ratio, 2 * ratio]);
      ctx.beginPath();
      let open = false;
      signal.other[3].forEach((mean, index) => {
        if (mean === null) { open = false; return; }
        const place = [x(signal.other[0][index] * 1000), y(mean)];
        if (open) ctx.lineTo(...place); else ctx.moveTo(...place);
        open = true;
      });
      ctx.stroke();
      ctx.setLineDash([]);
    }
    if (signal.data[0].length === 0) Object.assign(ctx, { fillStyle: colours.text, textAlign: "center", font: `${13 * ratio}px system-ui, sans-serif` }).fillText("nothing kept in this time", box.left + box.width / 2, box.top + box.height / 2);
    const step = Math.max(x(answer.from + answer.column) - x(answer.from), 1);
    const height = 7 * ratio;
    [...signal.quality].forEach((letter, index) => {
      if (letter === "g" || letter === "-") return;
      const left = x(answer.from + index * answer.column);
      ctx.fillStyle = letter === "d" ? colours.soft : colours.text;
      ctx.fillRect(left, box.top + box.height - (letter === "d" ? height / 2 : height), step, letter === "d" ? height / 2 : height);
    });
  });
}

function timeLabels(_chart, splits, _axis, _space, increment) {
  return splits.map((second) => {
    const at = new Date(second * 1000);
    // A label at the very edge would be cut.
    if (Math.min(at - view.from, view.to - at) < width() * (24 / section.clientWidth)) return "";
    if (increment >= 86_400 || timeOfDay.format(at) === "00:00") return day.format(at);
    return increment < 60 ? withSeconds.format(at) : timeOfDay.format(at);
  });
}

function options(pane) {
  const line = (more) => ({ points: { show: false }, ...more });
  return {
    width: section.clientWidth,
    height: chartHeight(),
    padding: [9, 0, 0, 0],
    tzDate: (second) => uPlot.tzDate(new Date(second * 1000), zone),
    legend: { show: false },
    cursor: { y: false, points: { show: false }, sync: { key: "trend", setSeries: false }, drag: { x: true, y: false, setScale: false } },
    scales: {
      x: { time: true, range: () => [view.from / 1000, view.to / 1000] },
      y: { range: () => (pane.signal ? limits(pane.signal) : [0, 1]) },
    },
    axes: [
      { size: 26, stroke: () => colours.text, font: "13px system-ui, sans-serif", grid: { stroke: () => colours.edge, width: 0.5, dash: [1, 4] }, ticks: { stroke: () => colours.edge, size: 5 }, values: timeLabels },
      { size: GUTTER, stroke: () => colours.text, font: "13px system-ui, sans-serif", grid: { show: false }, ticks: { stroke: () => colours.edge, size: 5 }, values: (_chart, splits) => splits.map((value) => value.toFixed(Math.max(pane.signal?.decimals ?? 0, splits.some((one) => !Number.isInteger(one)) ? 1 : 0))) },
    ],
    series: [{}, line({ stroke: () => colours.trace, width: 0.5 }), line({ stroke: () => colours.trace, width: 0.5 }), line({ stroke: () => colours.trace, width: 1.6, points: { show: true, filter: alone, size: 4, fill: () => colours.trace } })],
    bands: [{ series: [1, 2], fill: () => colours.area }],
    hooks: {
      drawClear: [(chart) => drawBelow(chart, pane)],
      draw: [(chart) => drawAbove(chart, pane)],
      setSelect: [selected],
      setCursor: [pointed],
    },
  };
}

// A value with a gap on both sides is a dot.
function alone(chart, series, shows) {
  if (!shows) return null;
  const values = chart.data[series];
  return values.flatMap((value, index) => (value !== null && (values[index - 1] ?? null) === null && (values[index + 1] ?? null) === null ? [index] : []));
}

const chartHeight = () => (section.clientWidth < 700 ? 178 : 202);

function selected(chart) {
  const { left, width: wide } = chart.select;
  if (wide < 6) return;
  const at = (place) => chart.posToVal(place, "x") * 1000;
  const [from, to] = [at(left), at(left + wide)];
  chart.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
  show(from, to);
}

let frame = 0;
function pointed(chart) {
  if (chart.cursor.left === undefined || chart.cursor.left < 0) return;
  const at = chart.posToVal(chart.cursor.left, "x") * 1000;
  cancelAnimationFrame(frame);
  frame = requestAnimationFrame(() => tell(at));
}

// What each signal said at the cursor.
function tell(at) {
  if (!answer) return;
  const index = Math.floor((at - answer.from) / answer.column);
  const words = [`${weekday.format(at)} ${date.format(at)} ${withSeconds.format(at)}`];
  for (const signal of answer.signals) {
    const shown = (value) => value.toFixed(signal.decimals);
    const mean = signal.mean[index] ?? null;
    const asked = askedAt(signal, at);
    const set = asked && asked.setpoint !== null ? `, set ${shown(asked.setpoint)}` : "";
    if (mean === null) words.push(`${signal.tag} ${signal.quality[index] === "b" ? "no good value" : "nothing kept"}${set}`);
    else words.push(`${signal.tag} ${shown(mean)} (${shown(signal.lowest[index])} to ${shown(signal.highest[index])})${set}`);
  }
  readout.replaceChildren(...words.map((text) => Object.assign(document.createElement("span"), { textContent: text })));
  readout.hidden = false;
}

function setData() {
  for (const pane of panes) {
    pane.signal = answer.signals.find((signal) => signal.tag === pane.tag) ?? null;
    if (pane.signal) pane.chart.setData(pane.signal.data);
  }
}

function redraw() {
  for (const pane of panes) pane.chart.setScale("x", { min: view.from / 1000, max: view.to / 1000 });
}

// Fetches the page of this view and takes over what the charts do not show. A document that the browser parsed from an answer
// runs no script.
function parts() {
  const asked = { ...view };
  const request = new XMLHttpRequest();
  request.open("GET", address("/trend"));
  request.responseType = "document";
  request.timeout = 8000;
  request.onload = () => {
    const fresh = request.response;
    const isOld = view.from !== asked.from || view.to !== asked.to;
    if (request.status === 200 && fresh && !isOld) takeOver(fresh, asked);
  };
  request.send();
}

function takeOver(fresh, asked) {
  for (const id of PARTS) {
    const [mine, other] = [document.getElementById(id), fresh.getElementById(id)];
    // A form that is open is being filled in.
    if (!mine || !other || mine.querySelector("#choose[open]")) continue;
    const typed = [...mine.querySelectorAll("input[type=text]")].map((input) => [input.id, input.value]);
    const focused = mine.contains(document.activeElement) ? document.activeElement.id : "";
    const unfolded = [...mine.querySelectorAll("details[open]")].map((one) => one.id);
    mine.replaceChildren(...document.adoptNode(other).childNodes);
    if (id === "notes") for (const [field, value] of typed) if (document.getElementById(field)) document.getElementById(field).value = value;
    for (const field of unfolded) if (document.getElementById(field)) document.getElementById(field).open = true;
    if (focused) document.getElementById(focused)?.focus();
  }
  // The still drawings are for paper.
  for (const pane of panes) {
    const other = [...fresh.querySelectorAll(".pane")].find((one) => one.dataset.tag === pane.tag);
    if (!other) continue;
    pane.figure.querySelector("figcaption").replaceChildren(...document.adoptNode(other.querySelector("figcaption")).childNodes);
    const still = [...other.querySelectorAll(".drawn > svg")].map((one) => document.adoptNode(one));
    [...pane.figure.querySelectorAll(".drawn > svg")].forEach((one, index) => still[index] && one.replaceWith(still[index]));
  }
  const axes = [...fresh.querySelectorAll("#trends > .time")];
  document.querySelectorAll("#trends > .time").forEach((one, index) => axes[index] && one.replaceWith(document.adoptNode(axes[index])));
  document.title = fresh.title;
  [section.dataset.from, section.dataset.to] = [String(asked.from), String(asked.to)];
}

// Keys, wheel, fingers.
function keyed(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, select, textarea")) return;
  const does = {
    ArrowLeft: () => pan(-0.2),
    ArrowRight: () => pan(0.2),
    "+": () => zoom(0.5),
    "=": () => zoom(0.5),
    "-": () => zoom(2),
    0: back,
  }[event.key];
  if (!does) return;
  event.preventDefault();
  does();
}

// Where in the plot something is, from 0 to 1.
function share(over, x) {
  const box = over.getBoundingClientRect();
  return Math.min(Math.max((x - box.left) / box.width, 0), 1);
}

function wheeled(event, over) {
  // The page scrolls as ever; with Ctrl, as pinching on a pad sends it, or sideways, the trend moves.
  if (event.ctrlKey || event.metaKey) {
    event.preventDefault();
    zoom(2 ** (Math.max(-100, Math.min(100, event.deltaY)) / 200), share(over, event.clientX));
  } else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
    event.preventDefault();
    pan((event.deltaX || event.deltaY) / over.clientWidth);
  }
}

// One finger moves it, two pinch it; a mouse with Shift moves it, without it chooses a stretch.
function fingers(over) {
  const down = new Map();
  let start = null;
  const begin = () => { start = { view: { ...view }, places: [...down.values()].slice(0, 2) }; };
  over.addEventListener("mousedown", (event) => { if (event.shiftKey) event.stopImmediatePropagation(); }, { capture: true });
  over.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse" && !event.shiftKey) return;
    down.set(event.pointerId, event.clientX);
    over.setPointerCapture(event.pointerId);
    begin();
  });
  over.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId) || !start) return;
    down.set(event.pointerId, event.clientX);
    const now = [...down.values()].slice(0, 2);
    const long = start.view.to - start.view.from;
    const at = (place) => start.view.from + share(over, place) * long;
    if (now.length === 2 && start.places.length === 2) {
      const factor = Math.max(Math.abs(start.places[0] - start.places[1]), 10) / Math.max(Math.abs(now[0] - now[1]), 10);
      const middle = at((start.places[0] + start.places[1]) / 2);
      const about = share(over, (now[0] + now[1]) / 2);
      show(middle - about * long * factor, middle + (1 - about) * long * factor);
    } else if (Math.abs(now[0] - start.places[0]) > 4) {
      const moved = ((now[0] - start.places[0]) / over.clientWidth) * long;
      show(start.view.from - moved, start.view.to - moved);
    }
  });
  for (const kind of ["pointerup", "pointercancel"]) {
    over.addEventListener(kind, (event) => {
      down.delete(event.pointerId);
      start = null;
      if (down.size > 0) begin();
    });
  }
}

function buttons() {
  const all = [["\u2190", "Move to earlier", () => pan(-0.5)], ["\u2192", "Move to later", () => pan(0.5)], ["+", "Zoom in", () => zoom(0.5)], ["\u2212", "Zoom out", () => zoom(2)], ["Back", "Back to the stretch that was opened", back]];
  // Its file is fetched when it is wanted.
  const picture = async () => (await import(section.dataset.picture)).save(section, panes, document.querySelector("#stretch .range").textContent);
  all.push(["Picture", "Picture: save what is drawn as a PNG", picture]);
  for (const [text, label, does] of all) {
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: text, title: label });
    button.setAttribute("aria-label", label);
    button.addEventListener("click", does);
    hand.append(button);
  }
  const words = matchMedia("(pointer: coarse)").matches ? "One finger moves, two zoom." : "Drag to zoom in, Shift and drag to move, Ctrl and wheel to zoom; keys \u2190 \u2192 + \u2212 0.";
  const hint = Object.assign(document.createElement("small"), { textContent: words });
  hand.append(hint);
  hand.hidden = false;
}

function begin() {
  readColours();
  section.tabIndex = 0;
  section.setAttribute("aria-label", "Trend; keys: arrows move, plus and minus zoom, 0 goes back");
  for (const figure of section.querySelectorAll(".pane")) {
    const pane = { tag: figure.dataset.tag, figure, signal: null, chart: null };
    pane.chart = new uPlot(options(pane), [[], [], [], []], figure.querySelector(".drawn"));
    fingers(pane.chart.over);
    pane.chart.over.addEventListener("wheel", (event) => wheeled(event, pane.chart.over), { passive: false });
    panes.push(pane);
  }
  buttons();
  section.addEventListener("keydown", keyed);
  const repaint = () => { readColours(); for (const pane of panes) pane.chart.redraw(); };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
  new ResizeObserver(() => {
    for (const pane of panes) if (pane.chart.width !== section.clientWidth) pane.chart.setSize({ width: section.clientWidth, height: chartHeight() });
  }).observe(section);
  ask();
}

if (section && typeof uPlot === "function") begin();
