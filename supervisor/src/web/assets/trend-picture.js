// What the panes show as one picture, for mail and meetings: with line, stretch, zone and each signal's name in it.

const HEAD = 64;
const TITLE = 26;
const MARGIN = 12;

// Draws the charts below each other and hands the file to the browser.
export function save(section, panes, stretch) {
  const ratio = devicePixelRatio;
  const charts = panes.map((pane) => ({ canvas: pane.chart.ctx.canvas, title: pane.figure.querySelector("h3").textContent }));
  const width = Math.max(...charts.map((chart) => chart.canvas.width)) + 2 * MARGIN * ratio;
  const height = HEAD * ratio + charts.reduce((sum, chart) => sum + chart.canvas.height + TITLE * ratio, 0) + MARGIN * ratio;
  const sheet = Object.assign(document.createElement("canvas"), { width, height });
  const ctx = sheet.getContext("2d");
  const style = getComputedStyle(document.documentElement);
  ctx.fillStyle = style.getPropertyValue("--ground").trim();
  ctx.fillRect(0, 0, width, height);
  ctx.fillStyle = style.getPropertyValue("--text").trim();
  const write = (text, size, weight, y) => {
    ctx.font = `${weight} ${size * ratio}px system-ui, sans-serif`;
    ctx.fillText(text, MARGIN * ratio, y * ratio, width - 2 * MARGIN * ratio);
  };
  write(section.dataset.line, 18, "bold", 26);
  write(stretch, 14, "normal", 50);
  let top = HEAD;
  for (const chart of charts) {
    write(chart.title, 14, "bold", top + 16);
    ctx.drawImage(chart.canvas, MARGIN * ratio, (top + TITLE) * ratio);
    top += TITLE + chart.canvas.height / ratio;
  }
  sheet.toBlob((blob) => {
    const address = URL.createObjectURL(blob);
    const from = new URL(location).searchParams.get("from") ?? new Date(Number(section.dataset.from)).toISOString();
    const name = `trend-${panes.map((pane) => pane.tag).slice(0, 4).join("-")}-${from.replaceAll(/[-:]/g, "").slice(0, 13)}Z.png`;
    Object.assign(document.createElement("a"), { href: address, download: name }).click();
    setTimeout(() => URL.revokeObjectURL(address), 60_000);
  }, "image/png");
}
