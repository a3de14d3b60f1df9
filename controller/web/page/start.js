// Programs, the load, and the last question before a start.
import { get } from "/page/api.js";
import { clock, degrees, make, span } from "/page/dom.js";

export async function programs(main, context) {
  main.append(make("h1", {}, "Programs"), make("p", { class: "note" }, "Put the part in, then choose. Nothing heats before the arm button is pressed at the oven."));
  const list = await get("programs");
  main.append(make("ul", { class: "plain" }, list.map((program) => make("li", {},
    make("h2", {}, program.name),
    make("p", {}, program.tempers.map((temper) => `${degrees(temper.temperature_c)} for ${span(temper.soak_min * 60)}`).join(", then ")),
    make("p", { class: "note" }, [program.use, program.note].filter(Boolean).join(" ")),
    make("details", {}, make("summary", {}, "Where this comes from"), make("p", { class: "note" }, program.source || "Not said.")),
    context.operator() ? make("button", { type: "button", class: "main", disabled: !context.fresh(), onclick: () => load(program, context) }, "Choose") : null))));
}

function load(program, context) {
  const items = make("div");
  const add = () => {
    const field = (name, text, value) => make("label", {}, make("span", {}, text), make("input", { name, type: "number", step: "any", inputmode: "decimal", value }));
    const item = make("fieldset", {}, make("legend", {}, `Piece ${items.children.length + 1}`),
      field("section", "Thickness, mm", 20), field("mass", "Mass, kg (or leave empty)", ""), field("length", "Length, mm (if not weighed)", 200));
    items.append(item);
  };
  add();
  const box = context.dialog(make("h1", {}, `What lies in the oven for ${program.name}?`),
    make("p", { class: "note" }, "The thickest piece decides how long it takes until the steel is warm inside."), items,
    make("div", { class: "row" }, make("button", { type: "button", onclick: add }, "Another piece"),
      make("button", { type: "button", class: "main", onclick: () => confirm(program, read(items), context, box) }, "Next")));
}

function read(items) {
  return [...items.children].map((item) => {
    const value = (name) => item.querySelector(`[name=${name}]`).value;
    const section_mm = Number(value("section"));
    return value("mass") ? { mass_kg: Number(value("mass")), section_mm } : { section_mm, length_mm: Number(value("length")) };
  });
}

function about(load) {
  return load.map((one) => (one.mass_kg ? `${one.mass_kg} kg, ${one.section_mm} mm thick` : `${one.section_mm} mm thick, ${one.length_mm} mm long`)).join("; ");
}

function confirm(program, load, context, box) {
  const soak_s = program.tempers.reduce((sum, temper) => sum + temper.soak_min * 60, 0);
  const thick = Math.max(...load.map((one) => one.section_mm || 0));
  // A first idea only: the service forecasts with the oven's own figures once it runs.
  const least_s = soak_s + program.tempers.length * (600 + 40 * thick) + (program.tempers.length - 1) * 2700;
  const speed = context.status().speed || 1;
  box.close();
  const ask = context.dialog(make("h1", {}, `Start ${program.name}?`),
    make("dl", {}, make("dt", {}, "Program"), make("dd", {}, program.tempers.map((one) => `${degrees(one.temperature_c)}, ${span(one.soak_min * 60)}`).join(", then ")),
      make("dt", {}, "Load"), make("dd", {}, about(load)), make("dt", {}, "Ends"), make("dd", {}, `about ${clock(Date.now() + 1000 * least_s / speed)}`)),
    make("p", { class: "note" }, "Quenched parts are washed and dry. Extinguisher at hand. The oven's own thermostat stands at its maximum."),
    make("button", { type: "button", class: "main", onclick: async () => {
      ask.close();
      const answer = await context.ask("oven/start", { program: program.name, load });
      if (answer) { context.say(answer.phase === "waiting_for_arm" ? "Now press the arm button at the oven." : "Started."); context.go("Now"); }
    } }, "Start"));
}
