// The quieter places: the book, the steels, the shop.
import { get, post } from "/page/api.js";
import { Chart } from "/page/chart.js";
import { day, degrees, make, span, units } from "/page/dom.js";

const HOW = { ended: "done", stopped: "stopped by hand", tripped: "stopped by an interlock", "cut off": "cut off" };

export async function book(main, context) {
  main.append(make("h1", {}, "Book"));
  const runs = await get("runs");
  if (!runs.length) main.append(make("p", {}, "No run yet. The first one will stand here."));
  main.append(make("ul", { class: "plain" }, runs.map((run) => make("li", {},
    make("button", { type: "button", onclick: () => one(main, run.id, context) }, `${run.program_name}, ${day(run.started_at)}`),
    make("p", { class: "note" }, run.outcome ? `${HOW[run.outcome] || run.outcome}${run.duration_s ? `, ${span(run.duration_s)}` : ""}` : "going on")))));
}

async function one(main, id, context) {
  const [run, text] = await Promise.all([get(`runs/${id}`), get(`runs/${id}/trace.csv`)]);
  const canvas = make("canvas", { role: "img", "aria-label": "The run's temperatures" });
  main.replaceChildren(make("h1", {}, `${run.program_name}, ${day(run.started_at)}`),
    make("p", {}, run.ending || "It is going on."), canvas,
    make("ul", { class: "plain" }, (run.tempers || []).map((temper, number) => make("li", {},
      `Temper ${number + 1}: ${degrees(temper.temperature_c)}, ${Math.round(temper.in_band_s / 60)} of ${Math.round(temper.soak_s / 60)} min in band.`,
      make("p", { class: "note" }, `Steel at most ${degrees(temper.part_peak_c)}, air at most ${degrees(temper.air_peak_c)}. ${temper.equivalent_c ? `It tempers like ${span(temper.soak_s)} at ${degrees(temper.equivalent_c)}.` : ""}`)))),
    make("div", { class: "row" }, make("a", { class: "button", href: `/api/v1/runs/${id}/trace.csv`, download: `run-${id}.csv` }, "Trace as CSV"),
      make("button", { type: "button", onclick: () => context.go("Book") }, "Back")));
  const [names, ...rows] = String(text).trim().split("\n").map((row) => row.split(","));
  const value = (row, name) => { const cell = row[names.indexOf(name)]; return cell === "" || cell === undefined ? null : Number(cell); };
  const every = Math.max(1, Math.ceil(rows.length / 1500));
  const points = rows.filter((_, index) => index % every === 0).map((row) => ({ at: Date.parse(row[0]), part: value(row, "part_c"), air: value(row, "oven_c"), target: value(row, "setpoint_c"), band: 5 }));
  new Chart(canvas).show(points, null, run.events.filter((event) => !event.kind.startsWith("request")).map((event) => ({ at: Date.parse(event.at), text: event.text })));
}

export async function steel(main) {
  main.append(make("h1", {}, "Steel"), make("p", { class: "note" }, "Figures from the sources named with them. Two tables of one grade may differ by 2 to 5 HRC: a coupon of your own bar is better than any of them."));
  const figure = (one) => (one.value !== undefined ? degrees(one.value) : one.low !== undefined ? `${degrees(one.low)} to ${degrees(one.high)}` : one.text || "");
  const names = { ac1_c: "Ac1", ac3_or_accm_c: "Ac3 or Accm", ms_c: "Ms", austenitise_c: "Harden from", quench: "Quench" };
  for (const grade of await get("steels")) {
    const facts = Object.entries(names).filter(([key]) => grade[key]).map(([key, name]) => make("li", {}, `${name}: ${figure(grade[key])}`, make("p", { class: "note" }, `${grade[key].source}. ${grade[key].mark}.`)));
    const tables = (grade.temper || grade.tempering || []).map((one) => make("li", {}, `Tempered ${one.schedule || ""}: ${(one.points || []).map(([at, hrc]) => `${degrees(at)} ${hrc} HRC`).join(", ")}`, make("p", { class: "note" }, `${one.source}. ${one.mark}.`)));
    main.append(make("details", {}, make("summary", {}, grade.name), make("ul", { class: "plain" }, facts, tables), grade.note ? make("p", { class: "note" }, grade.note) : null));
  }
}

const CAUTIONS = [
  "Mains work is for somebody qualified, to your local code. Changing the oven voids its listing.",
  "This program is never the only barrier. Independent limits belong on oven and tank, and a contactor in series with the relays.",
  "The oven's own thermostat stays in the circuit, at maximum; its timer on.",
  "Oven and oil stand apart from each other and from the forge.",
  "Hot oil is never left alone. Metal lid and class B or K extinguisher at hand, never water. Wet oil boils over near 100 °C.",
  "Wash and dry quenched parts before the oven.",
  "Oven fire: door shut, heat off, leave.",
  "Air the shop, fit a CO alarm. Oily rags go into a closed metal can.",
  "Eye protection: steel left hard can throw chips.",
  "The oil's safety data sheet and your local code come before anything said here.",
];

export async function shop(main, context) {
  const status = context.status(), { tank, board } = status;
  const choose = (unit) => make("button", { type: "button", "aria-pressed": String(units() === unit), class: units() === unit ? "main" : "", onclick: () => { localStorage.setItem("units", unit); context.go("Shop"); } }, `°${unit}`);
  main.append(make("h1", {}, "Shop"), make("h2", {}, "Temperatures in"), make("div", { class: "row" }, choose("C"), choose("F")));
  if (tank.flash_point_c !== null) {
    const mark = (name, celsius) => {
      const bar = make("div", { class: "scale" }, make("i"));
      bar.firstChild.style.width = `${Math.min(100, 100 * celsius / tank.flash_point_c)}%`;
      return make("li", {}, `${name}: ${degrees(celsius)}`, bar);
    };
    main.append(make("h2", {}, `How far the oil stays from its flash point`), make("p", { class: "note" }, `${tank.oil}. The bar's end is its lowest known flash point, ${degrees(tank.flash_point_c)}.`),
      make("ul", { class: "plain" }, [["The oil now", tank.temperature_c], ["Ceiling of the bath", tank.ceiling_c], ["Heater off", tank.limit_c], ["Flash point", tank.flash_point_c]].filter(([, value]) => value !== null).map(([name, value]) => mark(name, value))));
  }
  main.append(make("h2", {}, "Board"), make("p", {}, board.connected ? `It answers. Firmware ${board.firmware}.` : board.port_text || "It does not answer."));
  const devices = (await get("devices")).filter((one) => !one.revoked_at);
  main.append(make("h2", {}, "Paired phones"), make("ul", { class: "plain" }, devices.map((one) => make("li", {}, `${one.label}, ${one.role}${one.this ? ", this one" : ""}`,
    context.operator() && !one.this ? make("div", { class: "row" }, make("button", { type: "button", onclick: async () => { await post(`devices/${one.id}/revoke`); context.go("Shop"); } }, "Remove")) : null))),
  make("p", { class: "note" }, "A code for another phone comes from the machine: ovenhand pair."));
  main.append(make("h2", {}, "Mind"), make("ul", { class: "plain" }, CAUTIONS.map((text) => make("li", {}, text))));
}
