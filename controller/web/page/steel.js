// The smith's own steel: stock and pieces, what a tool is to be made of, and the grades.
import { get, post } from "/page/api.js";
import { bar } from "/page/bar.js";
import { answered, button, choice, day, degrees, field, inUnits, make, note, number, optional, span } from "/page/dom.js";
import { grades } from "/page/grades.js";
import { planForm } from "/page/sheet.js";

export async function steel(root, context) {
  const [stock, pieces, choices, known] = await Promise.all([get("stock"), get("pieces"), get("plan/choices"), grades()]);
  const again = () => context.go("Steel"), can = context.operator();
  const list = (rows, empty, open, told) => (rows.length ? make("ul", { class: "plain" }, rows.map((one) => make("li", {}, button(one.name, () => open(one), "wide"), note(told(one))))) : note(empty));
  root.append(...make("div", {}, make("h1", {}, "Steel"),
    can ? make("details", {}, make("summary", {}, make("strong", {}, "Plan a tool")), planForm(root, context, { stock, choices })) : null,
    make("h2", {}, "Stock"), list(stock, "No bar yet. Enter one, and its tests are kept with it.", (one) => bar(root, one.id, context, again), known_as),
    can ? addBar(choices, context, again) : null,
    make("h2", {}, "Pieces"), list(pieces, "No piece yet. A piece is one tool in the making.", (one) => piece(root, one.id, again),
      (one) => [one.tag && `Tag ${one.tag}`, one.mass_kg && `${one.mass_kg} kg`, `since ${day(one.created_at)}`].filter(Boolean).join(", ")),
    can ? addPiece(stock, choices, context, again) : null, known).childNodes);
}

const known_as = (one) => [one.grade || (one.composition && "by its composition") || "not known yet", one.section_mm && `${one.section_mm} mm`, one.origin].filter(Boolean).join(", ");

function addBar(choices, context, again) {
  const name = make("input", { maxlength: 60, required: true }), grade = make("input", { maxlength: 60, placeholder: "not known" });
  const composition = make("input", { maxlength: 200, placeholder: "C=0.42,Mn=0.7" }), section = number({ min: 1, max: 200, placeholder: "not measured" });
  const origin = choice(["", ...choices.origins], ["new, or not known", ...choices.origins]);
  return folded("Add a bar", [field("What you call it", name), field("Grade", grade), field("Composition, percent, from its certificate", composition),
    field("Diameter or thickness, mm", section), field("What it was, if it is scrap", origin)],
  () => answered(context, post("stock", optional({ name: name.value, grade: grade.value, composition: composition.value, section_mm: section.value && Number(section.value), origin: origin.value })), "In the book.", again));
}

function addPiece(stock, choices, context, again) {
  const name = make("input", { maxlength: 60, required: true }), of = choice(["", ...stock.map((one) => one.id)], ["not from the book", ...stock.map((one) => one.name)]);
  const mass = number({ min: 0.005, max: 20, placeholder: "not weighed" }), section = number({ min: 1, max: 200, placeholder: "not measured" });
  const uses = choices.uses.map((use) => use.name), use = choice(["", ...uses], ["not said", ...uses]), tag = make("input", { maxlength: 60 });
  return folded("Add a piece", [field("What it is", name), field("Of which bar", of), field("Weight, kg", mass), field("Thickest section, mm", section), field("For", use), field("Tag on it", tag)],
    () => answered(context, post("pieces", optional({ name: name.value, stock: of.value && Number(of.value), mass_kg: mass.value && Number(mass.value), section_mm: section.value && Number(section.value), use: use.value, tag: tag.value })), "In the book.", again));
}

function folded(title, fields, send) {
  return make("details", {}, make("summary", {}, title), make("form", { onsubmit: (event) => { event.preventDefault(); send(); } }, fields, make("button", { class: "main" }, "Write it down")));
}

async function piece(root, id, again) {
  const told = await get(`pieces/${id}`), runs = told.runs.map((run) => make("li", {}, make("p", {}, `Run ${run.id}, ${run.program_name}, ${day(run.started_at)}.`),
    (run.tempers || []).map((one) => note(`${degrees(one.temperature_c)}, ${span(one.in_band_s)} in band${one.equivalent_c ? `, like ${span(one.soak_s)} at ${degrees(one.equivalent_c)}` : ""}.`))));
  const tests = told.file_tests.map((test) => make("li", {}, inUnits(bandOf(test)), note(`${day(test.at)}, ${test.who}`)));
  root.replaceChildren(make("h1", {}, told.name), note([told.plan.use && `For: ${told.plan.use}.`, told.tag && `Tag ${told.tag}.`, told.note].filter(Boolean).join(" ")),
    told.declared_quenches.length ? make("h2", {}, "Quenches") : "",
    make("ul", { class: "plain" }, told.declared_quenches.map((one) => make("li", {}, `${day(one.at)}${one.part_c ? `, from ${degrees(one.part_c)}` : ""}.`))),
    ...told.quenches.filter((one) => one.after_c).map((one) => note(`${day(one.at)}: the oil went from ${degrees(one.before_c)} to ${degrees(one.after_c)}.`)),
    make("h2", {}, "Tempers"), runs.length ? make("ul", { class: "plain" }, runs) : note("Not tempered here yet. Choose it in the load when you start."),
    make("h2", {}, "File tests"), tests.length ? make("ul", { class: "plain" }, tests) : note("Not tested yet. Tests are entered with its bar."),
    make("div", { class: "row" }, button("Back to steel", again)));
}

export function bandOf(test) {
  const temper = test.by_hand ? ", tempered by hand" : test.temper_c !== null ? `, after ${span(test.temper_s)} at ${test.temper_c} °C` : "";
  if (test.one_file) return `An ordinary file ${test.one_file}${temper}.`;
  return `${[test.skates_hrc && `the ${test.skates_hrc} file skates`, test.bites_hrc && `the ${test.bites_hrc} file bites`].filter(Boolean).join(", ")}${temper}.`;
}
