// What the chart draws: the run's trace from the book, then the snapshots as they come.
import { get } from "/page/api.js";
import { inUnits, local } from "/page/dom.js";

const MOST = 2400;
const GAP_MS = 10000;
const QUIET = /^(request_|button_pressed$|presence$)/;

const numbers = (cells, names) => (name) => {
  const cell = cells[names.indexOf(name)];
  return cell === undefined || cell === "" ? null : Number(cell);
};

// The rows of a trace as points: {at ms, part, air, oil, target, band}, °C, null where not known.
export function pointsOf(csv, bandOf) {
  const [names, ...rows] = String(csv).trim().split("\n").map((row) => row.split(","));
  const every = Math.max(1, Math.ceil(rows.length / MOST));
  return rows.filter((_, index) => index % every === 0).map((cells) => {
    const value = numbers(cells, names), heating = value("tank_setpoint_c") !== null;
    return {
      at: local(cells[names.indexOf("at")]), part: value("part_c"), air: value("oven_c"),
      oil: heating ? value("tank_c") : null, target: value("setpoint_c"), band: bandOf(value("temper_index")),
    };
  });
}

export const marksOf = (events) => events.filter((event) => !QUIET.test(event.kind))
  .map((event) => ({ at: local(event.at), text: inUnits(event.text) }));

export async function recorded(runId) {
  const [run, csv] = await Promise.all([get(`runs/${runId}`), get(`runs/${runId}/trace.csv`)]);
  const tempers = run.program.tempers;
  return { run, points: pointsOf(csv, (index) => (tempers[index] || tempers[0] || {}).band_c || 5), marks: marksOf(run.events) };
}

export class History {
  constructor() {
    this.points = [];
    this.marks = [];
    this.runId = null;
    this.program = null;
  }

  async load(runId) {
    this.runId = runId;
    this.program = null;
    if (runId === null) return;
    const { run, points, marks } = await recorded(runId);
    if (this.runId !== runId) return;
    const last = points.length ? points[points.length - 1].at : 0;
    this.program = run.program;
    this.points = [...points, ...this.points.filter((point) => point.at > last)];
    this.marks = marks;
  }

  follow({ now, oven, tank }) {
    const at = local(now), last = this.points[this.points.length - 1];
    if (this.runId !== oven.run_id) {
      if (oven.run_id !== null) this.points = this.marks = [];
      this.load(oven.run_id).catch(() => {});
    } else if (last && at - last.at > GAP_MS && oven.run_id !== null) {
      this.load(oven.run_id).catch(() => {});
    }
    this.points.push({
      at, part: oven.part_c, air: oven.temperature_c, oil: tank.setpoint_c === null ? null : tank.temperature_c,
      target: oven.setpoint_c, band: oven.band_c,
    });
    // A long evening at half the detail rather than half an evening.
    if (this.points.length > 2 * MOST) this.points = this.points.filter((_, index) => index % 2 === 0);
  }

  event(event) {
    this.marks.push(...marksOf([event]));
    if (this.marks.length > 200) this.marks.shift();
  }

  // What is to come, as corners of a faint line (`soak`: the way there is one): soak, and for more tempers the cools and heat-ups between.
  plan({ now, oven, speed }) {
    if (!oven.ends_at || oven.target_c === null) return [];
    const begin = local(now), end = local(oven.ends_at), shop = (seconds) => 1000 * seconds / (speed || 1);
    const tempers = this.program ? this.program.tempers : [];
    const cooling = oven.phase === "cool";
    const heat = cooling ? 0 : shop(oven.soak_in_s || 0);
    const soak = cooling ? 0 : shop(Math.max(0, (oven.soak_total_s || 0) - (oven.soak_done_s || 0)));
    const corners = [{ at: begin, c: oven.part_c }];
    let at = begin;
    if (!cooling) {
      if (heat) corners.push({ at: (at += heat), c: oven.target_c });
      corners.push({ at: Math.min((at += soak), end), c: oven.target_c, soak: true });
    }
    const next = tempers.slice(oven.temper_index + 1);
    const left = end - at - next.reduce((sum, temper) => sum + shop(temper.soak_min * 60), 0);
    next.forEach((temper, index) => {
      const before = tempers[oven.temper_index + index], share = Math.max(0, left) / next.length;
      corners.push({ at: (at += 0.65 * share), c: before.cool_below_c });
      corners.push({ at: (at += 0.35 * share), c: temper.temperature_c });
      corners.push({ at: Math.min((at += shop(temper.soak_min * 60)), end), c: temper.temperature_c, soak: true });
    });
    return corners;
  }
}
