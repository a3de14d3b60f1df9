// Programs, the load, and the last question before a start.
import { get, post } from "/page/api.js";
import { button, choice, clock, degrees, differenceOf, field, fill, fromCelsius, inUnits, make, note, number, span, toCelsius, units } from "/page/dom.js";

const tempersOf = (program) => program.tempers
  .map((temper) => `${degrees(temper.temperature_c)} for ${span(60 * temper.soak_min)}${temper.ramp_c_per_h ? `, at ${Math.round(differenceOf(temper.ramp_c_per_h))} °${units()} an hour` : ""}`)
  .join(", then ");
const named = (name, rest) => number({ name, ...rest });

export async function programs(root, context) {
  root.append(make("h1", {}, "Programs"), note("Steel in, door shut, then choose. Nothing heats before somebody presses the arm button at the oven."));
  const list = await get("programs"), can = context.operator();
  root.append(make("ul", { class: "plain" }, list.map((program) => make("li", {},
    make("div", { class: "row apart" }, make("div", {}, make("h2", {}, program.name), make("p", {}, tempersOf(program))),
      can ? button("Choose", () => load(program, program.name, context), "", { "aria-label": `Choose ${program.name}`, disabled: !context.fresh() }) : null),
    note(inUnits([program.use, program.note].filter(Boolean).join(" "))),
    program.source ? make("details", {}, make("summary", {}, "Where this comes from"), note(inUnits(program.source))) : null))));
  if (can) root.append(own(context));
}

function own(context) {
  const bounds = (low, high) => ({ min: Math.ceil(fromCelsius(low)), max: Math.floor(fromCelsius(high)), required: true });
  const name = make("input", { maxlength: 40, placeholder: "own temper" });
  const warm = named("temperature", bounds(60, 260)), minutes = named("minutes", { min: 1, max: 600, required: true, value: 60 });
  const twice = make("input", { type: "checkbox" });
  return make("details", {}, make("summary", {}, "A temper of your own"), make("form", { onsubmit: (event) => {
    event.preventDefault();
    const temper = { temperature_c: Math.round(10 * toCelsius(Number(warm.value))) / 10, soak_min: Number(minutes.value) };
    const program = { name: name.value.trim() || "own temper", tempers: twice.checked ? [temper, temper] : [temper] };
    load(program, program, context);
  } }, field("What to call it", name), field(`Temperature, °${units()}`, warm), field("Soak, minutes", minutes),
  make("label", { class: "tick" }, twice, "Twice, with a cool between"), make("button", { class: "main" }, "Go on")));
}

// What lies in the oven; `given`: what is known of the first piece.
export async function load(program, wish, context, given = {}) {
  const items = make("div"), pieces = (await get("pieces").catch(() => [])).filter((one) => !one.finished_at);
  const add = (known = {}) => {
    const section = named("section", { value: known.section_mm || 20, min: 1, max: 200, required: true });
    const mass = named("mass", { placeholder: "not weighed", min: 0.005, max: 20 }), of = choice(["", ...pieces.map((one) => one.id)], ["none of the book", ...pieces.map((one) => one.name)]);
    of.addEventListener("change", () => {
      const piece = pieces.find((one) => String(one.id) === of.value);
      if (!piece) return;
      if (piece.section_mm) section.value = piece.section_mm;
      if (piece.mass_kg) mass.value = piece.mass_kg;
    });
    const item = make("fieldset", {}, make("legend", {}, items.children.length ? `Piece ${items.children.length + 1}` : "Piece"),
      pieces.length ? field("Which one", of) : null, field("Thickness, mm", section), field("Weight, kg", mass),
      field("or length, mm", named("length", { value: 200, min: 5, max: 2000 })));
    item.told = () => {
      const piece = pieces.find((one) => String(one.id) === of.value), stock = piece ? piece.stock_id : known.stock;
      return { ...(stock ? { stock } : {}), ...(piece ? { piece: piece.id } : {}) };
    };
    items.append(item);
  };
  add(given);
  const form = make("form", { id: "asked", onsubmit: (event) => { event.preventDefault(); confirm(program, wish, read(items), context); } },
    make("h2", {}, `What lies in the oven for ${program.name}?`),
    note("The thickest piece decides how long it takes until the steel is warm to its middle."), items,
    button("Another piece", () => add()));
  context.dialog(form, make("button", { class: "main", form: "asked" }, "Next"));
}

function read(items) {
  return [...items.children].map((item) => {
    const value = (name) => item.querySelector(`[name=${name}]`).value, section_mm = Number(value("section"));
    return { ...(value("mass") ? { mass_kg: Number(value("mass")), section_mm } : { section_mm, length_mm: Number(value("length")) }), ...item.told() };
  });
}

const about = (load) => load
  .map((one) => `${one.mass_kg ? `${one.mass_kg} kg, ` : ""}${one.section_mm} mm thick${one.length_mm ? `, ${one.length_mm} mm long` : ""}`).join("; ");

// When it would be done, from the service: what it knows of this oven and load, with its error.
function foreseen(wish, load) {
  const soak = make("dd", {}, "being worked out"), ends = make("dd", {}, "being worked out"), wrong = make("p", { class: "bad" });
  const about = (at, error_s) => `about ${clock(at)} ± ${span(error_s < 90 ? error_s : 60 * Math.ceil(error_s / 60))}`;
  post("oven/forecast", { program: wish, load }).then((told) => {
    const known = told.ends_at !== null;
    fill(soak, known ? about(told.soak_begins_at, told.soak_begins_error_s) : "not known before it heats");
    fill(ends, known ? about(told.ends_at, told.ends_error_s) : "not known before it heats", known ? make("span", { class: "note" }, "if heat comes now") : null);
    wrong.textContent = told.reason || "";
  }).catch((error) => {
    fill(soak, "not known");
    fill(ends, "not known");
    wrong.textContent = inUnits(error.message);
  });
  return { soak, ends, wrong };
}

function confirm(program, wish, load, context) {
  const { oven, board } = context.status(), { soak, ends, wrong } = foreseen(wish, load);
  const begun = (now) => now.oven.run_id !== null && now.oven.phase !== "ended";
  const box = context.dialog([make("h2", {}, `Start ${program.name}?`),
    make("dl", {}, make("dt", {}, "Program"), make("dd", {}, tempersOf(program)), make("dt", {}, "Load"), make("dd", {}, about(load)),
      make("dt", {}, "Soaks from"), soak, make("dt", {}, "Ends"), ends), wrong,
    oven.resumable_run_id === null ? null : make("p", { class: "bad" }, `Run ${oven.resumable_run_id}, which could be resumed, is dropped by this.`),
    make("p", {}, board.armed ? "Heat comes at once: the oven is armed." : "It then waits 5 min for the arm button at the oven."),
    note("Quenched parts are washed and dry. The oven's own thermostat stands at its maximum, its timer is on.")],
    button("Start", async (event) => {
      const answer = await context.ask("oven/start", { program: wish, load }, { said: board.armed ? "Started." : "Now press the arm button at the oven.", until: begun, by: event.currentTarget });
      box.close();
      if (answer) context.go("Now");
    }, "main"));
}
