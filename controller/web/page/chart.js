// The chart: steel thick and solid, air thin and dashed, the asked temperature as a band, the rest of the way faint.
import { clock, degrees, units } from "/page/dom.js";

// Oxide colours of steel, °C: a smith's own scale, a note only (two published tables differ by 22 °C).
const OXIDE = [[200, "#e9dca6"], [220, "#dfc06a"], [240, "#c08a3e"], [260, "#96503c"], [280, "#6d3f7a"], [300, "#3c5fa8"]];

export class Chart {
  constructor(canvas) {
    this.canvas = canvas;
    this.points = [];
    this.marks = [];
    this.plan = null;
    this.touch = null;
    canvas.addEventListener("pointermove", (event) => { this.touch = event.offsetX; this.draw(); });
    canvas.addEventListener("pointerdown", (event) => { this.touch = event.offsetX; this.draw(); });
    canvas.addEventListener("pointerleave", () => { this.touch = null; this.draw(); });
    new ResizeObserver(() => this.draw()).observe(canvas);
  }

  // points: {at ms, part, air, target, band}, oldest first, °C, null where not known.
  show(points, plan, marks = []) {
    this.points = points;
    this.plan = plan;
    this.marks = marks;
    this.draw();
  }

  add(point) {
    const last = this.points[this.points.length - 1];
    if (last && point.at - last.at < 400) return;
    this.points.push(point);
    if (this.points.length > 4000) this.points.splice(0, this.points.length - 3000);
  }

  draw() {
    const { canvas } = this, ratio = window.devicePixelRatio || 1;
    const width = canvas.clientWidth, height = canvas.clientHeight;
    if (!width) return;
    if (canvas.width !== Math.round(width * ratio)) canvas.width = Math.round(width * ratio);
    if (canvas.height !== Math.round(height * ratio)) canvas.height = Math.round(height * ratio);
    const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(`--${name}`).trim();
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = "14px system-ui, sans-serif";
    const box = { left: 52, right: width - 58, top: 12, bottom: height - 28 };
    const points = this.points, now = points.length ? points[points.length - 1].at : Date.now();
    const from = points.length ? points[0].at : now - 60000;
    const to = Math.max(this.plan ? this.plan.endsAt : 0, now + 1000, from + 60000);
    const shown = points.flatMap((p) => [p.part, p.air, p.target]).filter((value) => value !== null);
    if (this.plan && this.plan.target) shown.push(this.plan.target);
    const high = Math.max(100, ...shown) * 1.08, low = Math.min(0, ...shown);
    const x = (at) => box.left + (at - from) / (to - from) * (box.right - box.left);
    const y = (value) => box.bottom - (value - low) / (high - low) * (box.bottom - box.top);
    this.axes(pen, box, { from, to, low, high, x, y }, colour);
    if (this.plan && this.plan.target) this.future(pen, x, y, now, colour);
    this.band(pen, x, y, colour);
    this.line(pen, x, y, "air", colour("straw"), 1.5, [5, 4]);
    this.line(pen, x, y, "part", colour("steel"), 3.5, []);
    for (const mark of this.marks) {
      pen.fillStyle = colour("plum");
      pen.beginPath();
      pen.arc(x(mark.at), box.bottom, 4, 0, 7);
      pen.fill();
    }
    this.names(pen, x, y, box, colour);
    if (this.touch !== null) this.readout(pen, box, { from, to, x, y }, colour);
  }

  axes(pen, box, { from, to, low, high, x, y }, colour) {
    const unit = units(), step = high - low > 180 ? 50 : 20;
    pen.strokeStyle = colour("rule");
    pen.fillStyle = colour("muted");
    pen.lineWidth = 0.5;
    for (const [index, [from_c, shade]] of OXIDE.entries()) {
      const to_c = index + 1 < OXIDE.length ? OXIDE[index + 1][0] : 320;
      if (from_c > high) break;
      pen.fillStyle = shade;
      pen.fillRect(box.left - 6, y(Math.min(to_c, high)), 4, y(from_c) - y(Math.min(to_c, high)));
    }
    pen.fillStyle = colour("muted");
    pen.textAlign = "right";
    for (let value = Math.ceil(low / step) * step; value < high; value += step) {
      pen.globalAlpha = 0.5;
      pen.beginPath(); pen.moveTo(box.left, y(value)); pen.lineTo(box.right, y(value)); pen.stroke();
      pen.globalAlpha = 1;
      pen.fillText(degrees(value, 0, unit).split(" ")[0], box.left - 10, y(value) + 5);
    }
    pen.textAlign = "center";
    const ticks = box.right - box.left > 500 ? 5 : 2;
    for (let number = 0; number <= ticks; number += 1) {
      const at = from + (to - from) * number / ticks;
      pen.fillText(clock(at), Math.max(box.left + 8, x(at)), box.bottom + 20);
    }
  }

  band(pen, x, y, colour) {
    pen.fillStyle = colour("straw");
    pen.globalAlpha = 0.22;
    const points = this.points;
    for (let first = 0, next = 1; first < points.length; first = next, next += 1) {
      const { target, band } = points[first], half = band || 3;
      while (next < points.length && points[next].target === target) next += 1;
      if (target === null) continue;
      const end = x(points[Math.min(next, points.length - 1)].at);
      pen.fillRect(x(points[first].at), y(target + half), end - x(points[first].at), y(target - half) - y(target + half));
    }
    pen.globalAlpha = 1;
  }

  line(pen, x, y, key, stroke, thick, dash) {
    pen.strokeStyle = stroke;
    pen.lineWidth = thick;
    pen.setLineDash(dash);
    pen.lineJoin = "round";
    pen.beginPath();
    let down = false;
    for (const point of this.points) {
      if (point[key] === null) { down = false; continue; }
      if (down) pen.lineTo(x(point.at), y(point[key])); else pen.moveTo(x(point.at), y(point[key]));
      down = true;
    }
    pen.stroke();
    pen.setLineDash([]);
  }

  future(pen, x, y, now, colour) {
    const last = this.points[this.points.length - 1], { target, soakAt, endsAt } = this.plan;
    pen.strokeStyle = colour("steel");
    pen.globalAlpha = 0.4;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(x(now), y(last && last.part !== null ? last.part : 20));
    if (soakAt) pen.lineTo(x(soakAt), y(target));
    pen.lineTo(x(endsAt), y(target));
    pen.stroke();
    pen.globalAlpha = 1;
  }

  names(pen, x, y, box, colour) {
    const last = this.points[this.points.length - 1];
    if (!last) return;
    pen.textAlign = "left";
    const end = Math.min(x(last.at) + 8, box.right + 4);
    const places = [["steel", last.part, "steel"], ["air", last.air, "straw"]].filter(([, value]) => value !== null);
    const near = places.length === 2 && Math.abs(y(places[0][1]) - y(places[1][1])) < 16;
    places.forEach(([name, value, shade], index) => {
      pen.fillStyle = colour(shade);
      pen.fillText(name, end, y(value) + 5 + (near ? (index ? -10 : 10) : 0));
    });
  }

  readout(pen, box, { from, to, x }, colour) {
    if (!this.points.length) return;
    const at = from + (this.touch - box.left) / (box.right - box.left) * (to - from);
    const point = this.points.reduce((best, one) => (Math.abs(one.at - at) < Math.abs(best.at - at) ? one : best));
    pen.strokeStyle = colour("rule");
    pen.lineWidth = 1;
    pen.beginPath(); pen.moveTo(x(point.at), box.top); pen.lineTo(x(point.at), box.bottom); pen.stroke();
    const mark = this.marks.find((one) => Math.abs(x(one.at) - this.touch) < 12);
    const words = [`${clock(point.at)}  steel ${degrees(point.part, 1)}`, `air ${degrees(point.air, 1)}`];
    words.push(mark ? mark.text : "strip: oxide colours, a note, ±25 °C");
    pen.textAlign = "left";
    pen.fillStyle = colour("ink");
    words.forEach((word, index) => pen.fillText(word, box.left + 10, box.top + 16 + index * 18));
  }
}

export function table(points) {
  const every = Math.max(1, Math.floor(points.length / 40));
  return points.filter((_, index) => index % every === 0);
}
