// The first place: the sentence, the chart, the oven, the oil, the checks, and in a rehearsal its panel.
import { Chart, table } from "/page/chart.js";
import { button, clock, degrees, differenceOf, fill, inUnits, make, note, shape, span, units } from "/page/dom.js";
import { preheat, quench } from "/page/oil.js";
import { rehearsal } from "/page/rehearsal.js";

// Each phase in words, with the shape that stands beside it.
const PHASES = {
  ready: ["off", "Off"], waiting_for_arm: ["wait", "Waiting for the arm button"], heat_up: ["on", "Heating"],
  soak: ["on", "Soaking"], cool: ["off", "Cooling"], prompt: ["wait", "Waiting for your hand"],
  withheld: ["wait", "No heat for now"], ended: ["good", "Done"], tripped: ["stop", "Stopped"], off: ["off", "Off"],
  scheduled: ["off", "Starts by itself"], preheat: ["on", "Warming"], in_band: ["good", "Ready"], too_hot: ["wait", "Too hot"],
};
const percent = (duty) => (duty === null ? "not known" : `${Math.round(100 * duty)} %`);
// Rows that may mean a fire in the oven: its own words, large, under the advice.
const OVEN_FIRE = ["oven_limit", "oven_over_rising", "oven_over_again", "oven_rising_off", "smoke"];
const PRESENCE_SOON_S = 300;
const ACTIVE = ["heat_up", "soak", "cool", "prompt", "withheld"];

export class Now {
  constructor(root, context) {
    this.context = context;
    this.head = make("h1");
    this.advice = make("p", { class: "advice" });
    this.fire = make("p", { class: "urgent", hidden: true }, "If it smokes or burns: door shut, switch off at the wall, leave.");
    this.top = make("div", { class: "top" }, this.head, this.advice, this.fire);
    this.trouble = make("p", { class: "bad", role: "status" });
    this.actions = make("div", { class: "row" });
    this.chart = new Chart();
    this.closer = button("Look closer", () => { this.close = !this.close; this.draw(context.status()); }, "", { "aria-pressed": "false" });
    this.close = false;
    this.data = make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Table of temperatures" });
    this.log = make("ul", { class: "plain" });
    this.oven = zone("Oven");
    this.oil = zone("Oil");
    this.oilActions = make("div", { class: "row" });
    this.oil.root.append(this.oilActions);
    this.failing = make("ul", { class: "plain" });
    this.checks = make("details");
    this.table = make("details", { ontoggle: () => this.tabulate() }, make("summary", {}, "The same as a table"), this.data,
      make("h2", {}, "What happened"), this.log);
    fill(root,
      make("div", { class: "left" }, this.top, this.actions, this.trouble),
      make("section", { class: "chart", "aria-label": "Chart" }, this.chart.canvas, make("div", { class: "row apart" }, this.chart.told, this.closer), this.table),
      make("div", { class: "left" }, this.oven.root, this.oil.root, make("section", { class: "zone", "aria-label": "Checks" }, make("h2", { class: "hidden" }, "Checks"), this.failing, this.checks),
        context.status().mode === "rehearsal" && context.operator() ? rehearsal(context) : null));
  }

  update(status, text, advice) {
    const { oven, tank } = status, fresh = this.context.fresh(), trip = status.verdict === "trip";
    this.top.classList.toggle("trip", trip);
    if (trip) this.top.setAttribute("role", "alert"); else this.top.removeAttribute("role");
    put(this.head, text);
    put(this.advice, advice);
    this.fire.hidden = !status.interlocks.some((row) => row.state === "trip" && OVEN_FIRE.includes(row.name));
    put(this.trouble, status.record_trouble ? `The book takes nothing now. ${status.record_trouble}` : "");
    this.trouble.hidden = !status.record_trouble;
    for (const part of [this.chart.canvas, this.oven.facts, this.oil.facts]) part.classList.toggle("old", !fresh);
    this.draw(status);
    this.oven.show(oven.phase, ovenFacts(oven), oven.soak_total_s ? oven.soak_done_s / oven.soak_total_s : null);
    this.oil.show(tank.phase, oilFacts(status), null);
    this.buttons(status, fresh);
    this.rows(status.interlocks);
  }

  draw(status) {
    const { history } = this.context, { oven } = status, target = oven.setpoint_c ?? oven.target_c;
    const can = ["heat_up", "soak", "withheld"].includes(oven.phase) && target !== null;
    this.closer.hidden = !can;
    this.closer.setAttribute("aria-pressed", String(can && this.close));
    put(this.closer, this.close ? "Whole chart" : "Look closer");
    const close = can && this.close ? { target, band: oven.band_c || 5 } : null;
    this.chart.show({ points: history.points, marks: history.marks, plan: history.plan(status), close });
  }

  // Buttons are made anew only when what they offer changes, so that a tap never meets a moving target.
  buttons(status, fresh) {
    const { oven, tank, prompt } = status, { ask, go, operator } = this.context;
    const wanted = status.presence_expires_s !== null && status.presence_expires_s <= PRESENCE_SOON_S;
    const key = JSON.stringify([oven.phase, tank.phase, prompt, oven.resumable_run_id, tank.setpoint_c === null, tank.oil, tank.ready, operator(), fresh, wanted]);
    if (key === this.offered) return;
    this.offered = key;
    const left = [], right = [];
    const offer = (list, text, press, kind = "") => list.push(button(text, (event) => press(event.currentTarget), kind, { disabled: !fresh }));
    if (operator()) {
      const answered = (now) => !now.prompt || now.prompt.id !== prompt.id;
      const answer = (yes) => (by) => ask("oven/confirm", { prompt_id: prompt.id, answer: yes }, { said: "Noted.", until: answered, by });
      if (prompt && prompt.id === "door") {
        offer(left, "Yes, the door", answer(true), "main");
        offer(left, "No, it is shut", answer(false));
      } else if (prompt) offer(left, "Done, go on", answer(true), "main");
      const run_id = oven.resumable_run_id;
      if (run_id !== null) {
        offer(left, "Resume", (by) => ask("oven/resume", { run_id }, { said: "It goes on once armed.", until: (now) => now.oven.phase !== "withheld" && now.oven.phase !== "ready", by }), "main");
      }
      if (["ready", "ended"].includes(oven.phase)) offer(left, "Start a temper", () => go("Programs"), run_id === null && !wanted && !tank.ready ? "main" : "");
      if (tank.setpoint_c !== null) {
        offer(wanted ? left : right, "I am here", (by) => ask("presence", {}, { said: "Noted: you are here.", until: (now) => now.presence_expires_s > PRESENCE_SOON_S, by }), wanted ? "main" : "");
        offer(right, "Oil off", (by) => ask("tank/off", {}, { said: "The oil is off.", until: (now) => now.tank.setpoint_c === null, by }));
      } else if (tank.oil && tank.phase !== "tripped") offer(right, "Warm the oil", () => preheat(this.context));
      if (tank.oil) offer(tank.ready ? left : right, "I quenched", () => quench(this.context), tank.ready && !wanted ? "main" : "");
    }
    this.actions.replaceChildren(...left);
    this.oilActions.replaceChildren(...right);
  }

  rows(rows) {
    const key = JSON.stringify([units(), rows.map((row) => [row.name, row.state, row.alert, row.text])]);
    if (key === this.shown) return;
    this.shown = key;
    const fitted = rows.filter((row) => row.state !== "not fitted"), failing = fitted.filter((row) => row.state !== "good" || row.alert);
    const told = failing.length ? `The other ${fitted.length - failing.length} checks are good` : `All ${fitted.length} checks good`;
    const kind = (row) => (row.state === "trip" ? "stop" : row.state === "withhold" || row.alert ? "wait" : row.state === "good" ? "good" : "off");
    const item = (row) => make("li", {}, make("p", { class: "state" }, shape(kind(row)), inUnits(row.text)), row.advice ? note(inUnits(row.advice)) : null);
    const group = (name, list) => (list.length ? [make("h3", {}, name), make("ul", { class: "plain" }, list.map(item))] : []);
    const good = (zone) => fitted.filter((row) => row.zone === zone && !failing.includes(row));
    this.failing.replaceChildren(...failing.map(item));
    this.checks.replaceChildren(make("summary", {}, shape("good"), told), ...group("Both", good("both")), ...group("Oven", good("oven")),
      ...group("Oil", good("tank")), ...group("Not fitted here", rows.filter((row) => row.state === "not fitted")));
  }

  tabulate() {
    if (!this.table.open) return;
    const { points, marks } = this.context.history;
    this.data.replaceChildren(table(points));
    this.log.replaceChildren(...[...marks].reverse().map((mark) => make("li", {}, `${clock(mark.at)}  ${mark.text}`)));
  }
}

function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function zone(name) {
  const state = make("p", { class: "state" }), facts = make("dl"), bar = make("div", { class: "bar", hidden: true }, make("i"));
  const root = make("section", { class: "zone", "aria-label": name }, make("div", { class: "row apart" }, make("h2", {}, name), state), facts, bar);
  let shown = "";
  return {
    root, facts,
    show(phase, list, share) {
      const [kind, word] = PHASES[phase] || ["off", phase], key = JSON.stringify([phase, list, share, units()]);
      if (key === shown) return;
      shown = key;
      state.replaceChildren(shape(kind), word);
      facts.replaceChildren(...list.flatMap(([term, value, small]) => [make("dt", {}, term), make("dd", {}, make("span", {}, value), small ? make("span", { class: "note" }, small) : null)]));
      bar.hidden = share === null;
      if (share !== null) bar.firstChild.style.width = `${Math.min(100, 100 * share)}%`;
    },
  };
}

function ovenFacts(oven) {
  const facts = [], target = oven.target_c;
  if (oven.part_c !== null) {
    const off = target === null || !["soak", "withheld"].includes(oven.phase) ? "" : differenceFrom(oven.part_c - target);
    facts.push(oven.part_measured ? ["Steel", degrees(oven.part_c, 1), off]
      : ["Steel", `about ${degrees(oven.part_c)} ± ${Math.round(differenceOf(oven.part_error_c || 0))}`, "estimated"]);
  }
  const second = oven.limit_temperature_c;
  facts.push(["Air", degrees(oven.temperature_c, 1), second === null ? "" : `second sensor ${degrees(second)}`]);
  if (target !== null && !["ended", "cool"].includes(oven.phase)) facts.push(["Asked", `${degrees(target)} ± ${Math.round(differenceOf(oven.band_c || 0))}`]);
  if (oven.program) facts.push(["Program", oven.program, oven.temper_count > 1 ? `temper ${oven.temper_index + 1} of ${oven.temper_count}` : ""]);
  if (ACTIVE.includes(oven.phase)) facts.push(["Heat", percent(oven.applied_duty), `asked ${percent(oven.asked_duty)}`]);
  if (oven.lost_s >= 60) facts.push(["Lost", span(oven.lost_s), "without heat"]);
  if (oven.equivalent_s >= 60) facts.push(["Tempered", `as ${span(oven.equivalent_s)}`, `at ${degrees(target)}`]);
  if (oven.soak_total_s) facts.push(["Soak", `${Math.floor(oven.soak_done_s / 60)} of ${Math.round(oven.soak_total_s / 60)} min`, oven.ends_at ? `ends about ${clock(oven.ends_at)}` : ""]);
  return facts;
}

function differenceFrom(kelvins) {
  const off = differenceOf(kelvins);
  return Math.abs(off) < 0.5 ? "on the mark" : `${Math.abs(off).toFixed(0)} ${off > 0 ? "above" : "below"}`;
}

function oilFacts({ tank, presence_expires_s: presence_s }) {
  const second = tank.limit_temperature_c;
  const facts = [["Oil", degrees(tank.temperature_c, 1), second === null ? "" : `second sensor ${degrees(second)}`]];
  if (tank.setpoint_c !== null) {
    facts.push(["Asked", `${degrees(tank.setpoint_c)} ± ${Math.round(differenceOf(3))}`, tank.ready_expected_s > 0 && tank.phase !== "withheld" ? `ready in about ${span(tank.ready_expected_s)}` : ""]);
    facts.push(["Heat", percent(tank.applied_duty), `asked ${percent(tank.asked_duty)}`]);
  }
  if (presence_s !== null) facts.push(["Presence", span(presence_s), "left"]);
  if (tank.takes_kg !== null) facts.push(["Takes", `up to ${tank.takes_kg.toPrecision(2)} kg`, tank.next_quench_in_s > 0 ? `the last one again in ${span(tank.next_quench_in_s)}` : "now"]);
  if (tank.untempered_s !== null) facts.push(["Quenched", `${span(tank.untempered_s)} ago`, "not tempering yet"]);
  if (tank.gentle) facts.push(["Warming", "gently", "water may lie under the oil"]);
  if (tank.limit_c !== null) facts.push(["Heater off", `at ${degrees(tank.limit_c)}`]);
  if (tank.oil) facts.push(["Kind", tank.oil]);
  return facts;
}
