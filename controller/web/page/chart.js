// The chart: steel thick and solid, air thin and dashed, the asked temperature as a band, the rest of the way faint.
import { clock, degrees, fromCelsius, make, toCelsius, units } from "/page/dom.js";

// Oxide colours of clean carbon steel after minutes, °C: between two published tables that differ by up to 22 °C.
const OXIDE = [
  [190, "#efe3b0", "pale straw"], [212, "#e0c06a", "straw"], [230, "#c9973f", "dark straw"], [250, "#96582f", "brown"],
  [271, "#6e3f78", "purple"], [305, "#34539a", "blue"],
];
const OXIDE_NOTE = "A note only: ±25 °C, and an hour in the oven runs the colour on.";
const LINES = [
  { key: "oil", name: "oil", shade: "plum", thick: 2, dash: [2, 3] },
  { key: "air", name: "air", shade: "straw", thick: 1.5, dash: [6, 4] },
  { key: "part", name: "steel", shade: "steel", thick: 3.5, dash: [] },
];
const MINUTES = [1, 2, 5, 10, 15, 30, 60, 120, 240];
const LABEL = "17px system-ui, sans-serif";

export class Chart {
  constructor() {
    this.canvas = make("canvas", { role: "img", "aria-label": "Temperatures over time. The same numbers stand in the table below." });
    this.told = make("p", { class: "note told" }, "Touch the chart for its numbers.");
    this.points = [];
    this.marks = [];
    this.plan = [];
    this.close = null;
    this.touch = null;
    for (const name of ["pointermove", "pointerdown"]) {
      this.canvas.addEventListener(name, (event) => { this.touch = { x: event.offsetX, y: event.offsetY }; this.draw(); });
    }
    this.canvas.addEventListener("pointerleave", () => { this.touch = null; this.draw(); });
    new ResizeObserver(() => this.draw()).observe(this.canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  // points: {at ms, part, air, oil, target, band}, oldest first, °C; plan: {at, c, soak} corners; close: {target, band} or null.
  show({ points, plan = [], marks = [], close = null }) {
    Object.assign(this, { points, plan, marks, close });
    this.draw();
  }

  frame(width, height) {
    const box = { left: 54, right: width - 54, top: 14, bottom: height - 30 };
    const { points, plan } = this, last = points[points.length - 1];
    const now = last ? last.at : Date.now(), end = plan.length ? plan[plan.length - 1].at : now;
    const from = points.length ? points[0].at : now - 120000, to = Math.max(end, from + 120000);
    let low = 0, high = 100;
    if (this.close) {
      low = this.close.target - 4 * this.close.band;
      high = this.close.target + 4 * this.close.band;
    } else {
      for (const point of points) for (const key of ["part", "air", "oil"]) if (point[key] > high) high = point[key];
      for (const corner of plan) if (corner.c > high) high = corner.c;
      high *= 1.1;
    }
    return {
      box, from, to, low, high, now,
      x: (at) => box.left + (at - from) / (to - from) * (box.right - box.left),
      y: (c) => box.bottom - (c - low) / (high - low) * (box.bottom - box.top),
    };
  }

  draw() {
    const { canvas } = this, ratio = window.devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
    if (!width) return;
    for (const [side, size] of [["width", width], ["height", height]]) {
      if (canvas[side] !== Math.round(size * ratio)) canvas[side] = Math.round(size * ratio);
    }
    const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(`--${name}`).trim(), f = this.frame(width, height);
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = LABEL;
    pen.lineJoin = "round";
    this.grid(pen, f, colour);
    this.strip(pen, f);
    pen.save();
    pen.beginPath();
    pen.rect(f.box.left, f.box.top - 6, f.box.right - f.box.left + 2, f.box.bottom - f.box.top + 6);
    pen.clip();
    this.band(pen, f, colour);
    this.future(pen, f, colour);
    for (const line of LINES) this.line(pen, f, line, colour(line.shade));
    pen.restore();
    this.events(pen, f, colour);
    this.names(pen, f, colour);
    this.readout(pen, f, colour);
  }

  grid(pen, { box, from, to, low, high, x, y }, colour) {
    const shownLow = fromCelsius(low), shownHigh = fromCelsius(high);
    const step = [2, 5, 10, 20, 50, 100, 200].find((one) => (shownHigh - shownLow) / one <= 6) || 200;
    pen.fillStyle = colour("muted");
    pen.strokeStyle = colour("rule");
    pen.lineWidth = 1;
    pen.textAlign = "right";
    for (let value = Math.ceil(shownLow / step) * step; value <= shownHigh; value += step) {
      const at = Math.round(y(toCelsius(value))) + 0.5;
      pen.globalAlpha = 0.3;
      pen.beginPath(); pen.moveTo(box.left, at); pen.lineTo(box.right, at); pen.stroke();
      pen.globalAlpha = 1;
      pen.fillText(value, box.left - 16, at + 6);
    }
    pen.textAlign = "center";
    const wide = pen.measureText(clock(from)).width + 14, room = Math.max(1, Math.floor((box.right - box.left) / wide));
    const minutes = MINUTES.find((one) => (to - from) / (60000 * one) <= room) || 480, offset = new Date(from).getTimezoneOffset();
    const every = 60000 * minutes, first = Math.ceil((from - 60000 * offset) / every) * every + 60000 * offset;
    for (let at = first; at <= to; at += every) {
      pen.globalAlpha = 0.3;
      pen.beginPath(); pen.moveTo(x(at), box.bottom); pen.lineTo(x(at), box.bottom + 6); pen.stroke();
      pen.globalAlpha = 1;
      pen.fillText(clock(at), x(at), box.bottom + 24);
    }
  }

  strip(pen, { box, low, high, y }) {
    for (let index = 0; index < OXIDE.length; index += 1) {
      const [c, shade] = OXIDE[index], after = OXIDE[index + 1] || [OXIDE[index][0] + 20, shade];
      const bottom = Math.max(c, low), top = Math.min(after[0], high);
      if (top <= bottom) continue;
      const blend = pen.createLinearGradient(0, y(c), 0, y(after[0]));
      blend.addColorStop(0, shade);
      blend.addColorStop(1, after[1]);
      pen.fillStyle = blend;
      pen.fillRect(box.left - 9, y(top), 6, y(bottom) - y(top));
    }
  }

  band(pen, { x, y }, colour) {
    const { points, plan } = this;
    pen.fillStyle = colour("straw");
    pen.globalAlpha = 0.22;
    for (let first = 0, next = 1; first < points.length; first = next, next += 1) {
      const { target, band } = points[first], half = band || 5;
      while (next < points.length && points[next].target === target) next += 1;
      if (target === null) continue;
      const end = next < points.length ? points[next].at : points[points.length - 1].at;
      pen.fillRect(x(points[first].at), y(target + half), x(end) - x(points[first].at), y(target - half) - y(target + half));
    }
    pen.globalAlpha = 0.1;
    for (let index = 1; index < plan.length; index += 1) {
      const { at, c, soak } = plan[index], half = 5;
      if (soak) pen.fillRect(x(plan[index - 1].at), y(c + half), x(at) - x(plan[index - 1].at), y(c - half) - y(c + half));
    }
    pen.globalAlpha = 1;
  }

  future(pen, { x, y, now, box }, colour) {
    const corners = this.plan.filter((corner) => corner.c !== null);
    if (corners.length < 2) return;
    pen.strokeStyle = colour("steel");
    pen.globalAlpha = 0.45;
    pen.lineWidth = 2;
    pen.beginPath();
    corners.forEach(({ at, c }, index) => (index ? pen.lineTo(x(at), y(c)) : pen.moveTo(x(at), y(c))));
    pen.stroke();
    pen.strokeStyle = colour("rule");
    pen.lineWidth = 1;
    pen.beginPath(); pen.moveTo(x(now), box.top); pen.lineTo(x(now), box.bottom); pen.stroke();
    pen.globalAlpha = 1;
  }

  line(pen, { x, y }, { key, thick, dash }, stroke) {
    pen.strokeStyle = stroke;
    pen.lineWidth = thick;
    pen.setLineDash(dash);
    pen.beginPath();
    // Where many points share a pixel's column, only its lowest and highest are drawn, in their order.
    let column = null, low = null, high = null, down = false;
    const to = (point) => { if (down) pen.lineTo(x(point.at), y(point[key])); else pen.moveTo(x(point.at), y(point[key])); down = true; };
    const flush = () => {
      if (low === null) return;
      const first = low.at <= high.at ? low : high;
      to(first);
      if (low !== high) to(first === low ? high : low);
      low = high = null;
    };
    for (const point of this.points) {
      const c = point[key], here = Math.floor(x(point.at));
      if (here !== column || c === null || c === undefined) flush();
      column = here;
      if (c === null || c === undefined) { down = false; continue; }
      if (low === null || c < low[key]) low = point;
      if (high === null || c > high[key]) high = point;
    }
    flush();
    pen.stroke();
    pen.setLineDash([]);
  }

  events(pen, { box, from, to, x }, colour) {
    pen.fillStyle = colour("muted");
    for (const { at } of this.marks) {
      if (at < from || at > to) continue;
      const middle = x(at);
      pen.beginPath(); pen.moveTo(middle - 5, box.bottom); pen.lineTo(middle + 5, box.bottom); pen.lineTo(middle, box.bottom - 9); pen.fill();
    }
  }

  // Each line has its name at its end; names that would cover each other make room.
  names(pen, { box, x, y }, colour) {
    const last = this.points[this.points.length - 1];
    if (!last) return;
    const inside = (value) => Math.min(Math.max(value, box.top + 6), box.bottom);
    const places = LINES.filter(({ key }) => last[key] !== null && last[key] !== undefined)
      .map(({ key, name, shade }) => ({ name, shade, at: inside(y(last[key])) })).sort((one, other) => one.at - other.at);
    for (let index = 1; index < places.length; index += 1) places[index].at = Math.max(places[index].at, places[index - 1].at + 18);
    const over = places.length ? places[places.length - 1].at - box.bottom : 0;
    const left = Math.min(x(last.at) + 7, box.right + 5);
    pen.textAlign = "left";
    for (const { name, shade, at } of places) {
      const lifted = at - Math.max(0, over);
      pen.fillStyle = colour("paper");
      pen.globalAlpha = 0.85;
      pen.fillRect(left - 3, lifted - 10, pen.measureText(name).width + 6, 20);
      pen.globalAlpha = 1;
      pen.fillStyle = colour(shade);
      pen.fillText(name, left, lifted + 6);
    }
  }

  readout(pen, { box, from, to, low, high, x }, colour) {
    const idle = "Touch the chart for its numbers.";
    if (!this.touch || !this.points.length) { this.told.textContent = idle; return; }
    if (this.touch.x < box.left) { this.told.textContent = oxideAt(high - (this.touch.y - box.top) / (box.bottom - box.top) * (high - low)); return; }
    const at = from + (this.touch.x - box.left) / (box.right - box.left) * (to - from);
    const mark = this.marks.reduce((best, one) => (Math.abs(x(one.at) - this.touch.x) < Math.abs((best ? x(best.at) : -99) - this.touch.x) ? one : best), null);
    const near = mark && Math.abs(x(mark.at) - this.touch.x) < 14;
    const point = this.points.reduce((best, one) => (Math.abs(one.at - at) < Math.abs(best.at - at) ? one : best));
    const shown = near ? mark.at : point.at;
    pen.strokeStyle = colour("ink");
    pen.lineWidth = 1;
    pen.beginPath(); pen.moveTo(x(shown), box.top); pen.lineTo(x(shown), box.bottom); pen.stroke();
    const parts = [["steel", point.part], ["air", point.air], ["oil", point.oil]].filter(([, c]) => c !== null && c !== undefined);
    const words = `${clock(shown)}: ${parts.map(([name, c]) => `${name} ${degrees(c, 1)}`).join(", ")}.`;
    this.told.textContent = near ? `${words} ${mark.text}` : words;
  }
}

function oxideAt(c) {
  const nearest = OXIDE.reduce((best, one) => (Math.abs(one[0] - c) < Math.abs(best[0] - c) ? one : best));
  if (c < OXIDE[0][0] - 25) return "The strip beside the scale shows the oxide colours of steel.";
  const spread = units() === "F" ? OXIDE_NOTE.replace("±25 °C", "±45 °F") : OXIDE_NOTE;
  return `${nearest[2][0].toUpperCase()}${nearest[2].slice(1)}, near ${degrees(nearest[0])}. ${spread}`;
}

// The same numbers as rows, at most 40, the newest first.
export function table(points) {
  const every = Math.max(1, Math.ceil(points.length / 40));
  const rows = points.filter((_, index) => (points.length - 1 - index) % every === 0).reverse();
  const head = ["Time", "Steel", "Air", "Asked"].map((name) => make("th", { scope: "col" }, name));
  const cell = (c, digits) => make("td", {}, c === null || c === undefined ? "–" : degrees(c, digits));
  return make("table", {}, make("thead", {}, make("tr", {}, head)), make("tbody", {},
    rows.map((point) => make("tr", {}, make("td", {}, clock(point.at)), cell(point.part, 1), cell(point.air, 1), cell(point.target, 0)))));
}
