// The first place: the sentence, the chart, the oven, the oil, the checks, and in a rehearsal its panel.
import { get } from "/page/api.js";
import { Chart, table } from "/page/chart.js";
import { clock, degrees, kelvins, make, span, units } from "/page/dom.js";

const PHASES = {
  ready: "ready", waiting_for_arm: "waiting for the arm button", heat_up: "heating", soak: "soaking", cool: "cooling",
  prompt: "waiting for your hand", withheld: "no heat for now", ended: "done", tripped: "stopped", off: "off",
  scheduled: "will start by itself", preheat: "warming", in_band: "ready, in band", too_hot: "too hot",
};
const ACTIVE = ["heat_up", "soak", "cool", "prompt", "withheld"];

export class Now {
  constructor(main, context) {
    this.head = make("h1");
    this.advice = make("p");
    this.actions = make("div", { class: "row" });
    this.canvas = make("canvas", { role: "img", "aria-label": "Temperatures over time; the same numbers stand in the table below." });
    this.data = make("div", { class: "scroll" });
    this.oven = make("dl");
    this.oil = make("dl");
    this.oilActions = make("div", { class: "row" });
    this.checks = make("div");
    this.root = make("div", { class: "now" },
      make("div", { "aria-live": "polite" }, this.head, this.advice), this.actions,
      make("section", { class: "chart" }, this.canvas,
        make("details", { ontoggle: () => this.tabulate() }, make("summary", {}, "The same as a table"), this.data)),
      make("section", { class: "zone" }, make("h2", {}, "Oven"), this.oven),
      make("section", { class: "zone" }, make("h2", {}, "Oil"), this.oil, this.oilActions),
      make("section", { class: "zone" }, this.checks));
    main.append(this.root);
    this.chart = new Chart(this.canvas);
    this.marks = [];
    this.runId = undefined;
    this.panel = null;
    this.shownActions = "";
    if (context.status().mode === "rehearsal" && context.operator()) this.rehearsal(main, context);
  }

  async history(runId) {
    this.marks = [];
    this.chart.points = [];
    if (runId === null) return;
    const [text, run] = await Promise.all([get(`runs/${runId}/trace.csv`), get(`runs/${runId}`)]);
    const [names, ...rows] = String(text).trim().split("\n").map((row) => row.split(","));
    const at = (row, name) => row[names.indexOf(name)];
    const number = (row, name) => { const value = at(row, name); return value === "" || value === undefined ? null : Number(value); };
    const every = Math.max(1, Math.ceil(rows.length / 1500));
    const old = rows.filter((_, index) => index % every === 0).map((row) => ({
      at: Date.parse(at(row, "at")), part: number(row, "part_c"), air: number(row, "oven_c"), target: number(row, "setpoint_c"), band: 5,
    }));
    this.chart.points = [...old, ...this.chart.points];
    this.marks = run.events.filter((event) => !event.kind.startsWith("request")).map((event) => ({ at: Date.parse(event.at), text: event.text }));
  }

  event(event) {
    if (!event.kind.startsWith("request")) this.marks.push({ at: Date.parse(event.at), text: event.text });
  }

  update(status, text, advice, context) {
    const { oven, tank } = status, fresh = context.fresh();
    this.root.classList.toggle("trip", status.verdict === "trip");
    this.root.setAttribute("role", status.verdict === "trip" ? "alert" : "presentation");
    if (this.head.textContent !== text) this.head.textContent = text;
    if (this.advice.textContent !== advice) this.advice.textContent = advice;
    if (this.runId !== oven.run_id) {
      this.runId = oven.run_id;
      this.history(oven.run_id).catch(() => {});
    }
    const at = Date.parse(status.now);
    if (fresh) this.chart.add({ at, part: oven.part_c, air: oven.temperature_c, target: oven.setpoint_c, band: oven.band_c });
    const going = ACTIVE.includes(oven.phase) && oven.ends_at;
    const speed = status.speed || 1;
    this.chart.show(this.chart.points, going ? {
      target: oven.target_c, endsAt: Date.parse(oven.ends_at), soakAt: oven.soak_in_s ? at + 1000 * oven.soak_in_s / speed : null,
    } : null, this.marks);
    this.canvas.classList.toggle("old", !fresh);
    this.zones(status, fresh);
    this.buttons(status, context, fresh);
    this.rows(status);
  }

  zones({ oven, tank }, fresh) {
    const facts = [];
    const part = oven.part_measured ? degrees(oven.part_c, 1) : `about ${degrees(oven.part_c)} ± ${kelvins(oven.part_error_c || 0)}, estimated`;
    if (oven.part_c !== null) facts.push(["Steel", part]);
    facts.push(["Air", degrees(oven.temperature_c, 1)]);
    if (oven.limit_temperature_c !== null) facts.push(["Second sensor", degrees(oven.limit_temperature_c, 1)]);
    if (oven.target_c !== null) facts.push(["Asked", `${degrees(oven.target_c)} ± ${kelvins(oven.band_c || 0)}`]);
    facts.push(["Now", PHASES[oven.phase] || oven.phase]);
    if (oven.program) facts.push(["Program", oven.temper_count > 1 ? `${oven.program}, temper ${oven.temper_index + 1} of ${oven.temper_count}` : oven.program]);
    if (oven.soak_total_s) facts.push(["Soak", `${Math.floor(oven.soak_done_s / 60)} of ${Math.round(oven.soak_total_s / 60)} min`]);
    if (oven.equivalent_s > 60) facts.push(["Tempered so far", `as ${span(oven.equivalent_s)} at the asked temperature`]);
    if (oven.lost_s > 60) facts.push(["Lost without heat", span(oven.lost_s)]);
    if (oven.ends_at) facts.push(["Ends about", clock(oven.ends_at)]);
    facts.push(["Heat", `${Math.round(oven.asked_duty * 100)} % asked, ${oven.applied_duty === null ? "not known" : `${Math.round(oven.applied_duty * 100)} %`} given`]);
    this.list(this.oven, facts, fresh);
    const oil = [["Oil", tank.temperature_c === null ? "not known" : degrees(tank.temperature_c, 1)], ["Now", PHASES[tank.phase] || tank.phase]];
    if (tank.oil) oil.unshift(["Kind", tank.oil]);
    if (tank.setpoint_c !== null) oil.push(["Asked", degrees(tank.setpoint_c)]);
    if (tank.ready_expected_s > 0) oil.push(["Ready in about", span(tank.ready_expected_s)]);
    if (tank.ceiling_c !== null) oil.push(["Ceiling", degrees(tank.ceiling_c)]);
    this.list(this.oil, oil, fresh);
  }

  list(element, facts, fresh) {
    element.classList.toggle("old", !fresh);
    element.replaceChildren(...facts.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]));
  }

  // Buttons are only made anew when what they offer changes, so that a tap never meets a moving target.
  buttons(status, context, fresh) {
    const { oven, tank, prompt } = status, { ask, operator } = context;
    const key = JSON.stringify([oven.phase, tank.phase, prompt, oven.resumable_run_id, tank.setpoint_c !== null, operator(), fresh, units()]);
    if (key === this.shownActions) return;
    this.shownActions = key;
    const can = operator() && fresh, left = [], right = [];
    const button = (text, press, kind = "") => make("button", { type: "button", class: kind, disabled: !can, onclick: press }, text);
    if (operator()) {
      if (prompt) {
        left.push(button(prompt.id === "door" ? "Yes, it is the door" : "Done", () => ask("oven/confirm", { prompt_id: prompt.id }), "main"));
      }
      if (oven.resumable_run_id !== null) left.push(button("Resume", () => ask("oven/resume", { run_id: oven.resumable_run_id }), "main"));
      if (["ready", "ended"].includes(oven.phase)) left.push(button("Start a temper", () => context.go("Programs"), prompt ? "" : "main"));
      if (tank.setpoint_c === null) right.push(button("Warm the oil", () => preheat(status, context)));
      else right.push(button("I am here", () => ask("presence", {}, "Noted.")), button("Oil off", () => ask("tank/off")));
      right.push(button("I quenched", () => quench(context)));
    }
    this.actions.replaceChildren(...left);
    this.oilActions.replaceChildren(...right);
  }

  rows({ interlocks }) {
    const failing = interlocks.filter((row) => row.state === "withhold" || row.state === "trip" || row.alert);
    const fitted = interlocks.filter((row) => row.state !== "not fitted");
    const key = JSON.stringify(interlocks.map((row) => [row.name, row.state, row.alert]));
    if (key === this.shownRows) return;
    this.shownRows = key;
    const head = failing.length
      ? make("span", { class: "wait" }, `${failing.length} of ${fitted.length} checks ${failing.length === 1 ? "needs" : "need"} a look`)
      : make("span", { class: "good" }, `All ${fitted.length} checks good`);
    const item = (row) => make("li", {}, make("span", { class: row.state === "trip" ? "bad" : row.state === "good" && !row.alert ? "" : "wait" },
      row.state === "not fitted" ? `Not fitted: ${row.text}` : row.text), row.advice ? make("p", { class: "note" }, row.advice) : null);
    const open = this.checks.querySelector("details")?.open || failing.length > 0;
    const order = [...failing, ...interlocks.filter((row) => !failing.includes(row))];
    this.checks.replaceChildren(make("details", { open }, make("summary", {}, head), make("ul", { class: "plain" }, order.map(item))));
  }

  tabulate() {
    const rows = table(this.chart.points).map((point) => make("tr", {}, make("td", {}, clock(point.at)), make("td", {}, degrees(point.part, 1)), make("td", {}, degrees(point.air, 1)), make("td", {}, degrees(point.target))));
    this.data.replaceChildren(make("table", {}, make("thead", {}, make("tr", {}, ["Time", "Steel", "Air", "Asked"].map((name) => make("th", {}, name)))), make("tbody", {}, rows)));
  }

  async rehearsal(main, { ask }) {
    const state = await get("rehearsal");
    const press = (name, text) => make("button", { type: "button", onclick: () => ask("rehearsal", { press: name }, "Pressed.") }, text);
    const speed = make("input", { type: "range", min: 1, max: 20, step: 1, value: state.speed, "aria-label": "Speed" });
    const shown = make("span", {}, `Speed: ${state.speed} times the clock`);
    speed.addEventListener("input", () => { shown.textContent = `Speed: ${speed.value} times the clock`; });
    speed.addEventListener("change", () => ask("rehearsal", { speed: Number(speed.value) }));
    const faults = state.faults.map((fault) => {
      const button = make("button", { type: "button", "aria-pressed": String(fault.on) }, fault.on ? "Mend" : "Try");
      button.addEventListener("click", async () => {
        fault.on = !fault.on;
        if (await ask("rehearsal", { fault: fault.name, on: fault.on }, fault.on ? fault.text : "Mended.") === null) fault.on = !fault.on;
        button.textContent = fault.on ? "Mend" : "Try";
        button.setAttribute("aria-pressed", String(fault.on));
      });
      return make("li", {}, make("div", { class: "row" }, button, make("span", {}, fault.text)));
    });
    main.append(make("section", { class: "panel" }, make("h2", {}, "Rehearsal: no real heat"),
      make("p", { class: "note" }, "In the shop these are buttons at the machine and things that go wrong."),
      make("div", { class: "row" }, press("arm", "Press arm"), press("reset", "Hold reset")),
      make("label", {}, shown, speed),
      make("details", {}, make("summary", {}, "Let something go wrong"), make("ul", { class: "plain" }, faults))));
  }
}

function preheat(status, { ask, dialog }) {
  const unit = units(), ceiling = status.tank.ceiling_c === null ? 60 : status.tank.ceiling_c - 5;
  const to = (celsius) => (unit === "F" ? celsius * 1.8 + 32 : celsius), from = (value) => (unit === "F" ? (value - 32) / 1.8 : value);
  const target = make("input", { type: "number", step: "any", inputmode: "decimal", value: Math.round(to(Math.min(55, ceiling))) });
  const box = dialog(make("h1", {}, "Warm the oil."),
    make("p", {}, `40 to 65 °C is common practice. This oil goes to ${degrees(ceiling)} at the most. Stay with it.`),
    make("label", {}, make("span", {}, `Temperature, °${unit}`), target),
    make("button", { class: "main", type: "button", onclick: () => { box.close(); ask("tank/preheat", { target_c: Math.round(from(Number(target.value)) * 10) / 10 }); } }, "Warm it"));
}

function quench({ ask, dialog }) {
  const mass = make("input", { type: "number", step: "any", inputmode: "decimal", placeholder: "not weighed" });
  const box = dialog(make("h1", {}, "You quenched."), make("label", {}, make("span", {}, "Mass of the steel, kg, if you know it"), mass),
    make("button", { class: "main", type: "button", onclick: () => { box.close(); ask("tank/quench", mass.value ? { mass_kg: Number(mass.value) } : {}, "In the book."); } }, "Write it down"));
}
