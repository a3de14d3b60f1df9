// The plan sheet: one page for the forge, for the phone and for paper, its temper ready to start.
import { get, post } from "/page/api.js";
import { answered, button, choice, field, inUnits, make, note, number, optional } from "/page/dom.js";
import { load } from "/page/start.js";

// Steel from the stock or by grade, section and use; `of`: the one bar that is meant.
export function planForm(root, context, { stock = [], choices, of = null }) {
  const uses = choices.uses.map((use) => use.name), use = choice(uses, uses), section = number({ min: 1, max: 200, required: true, value: (of && of.section_mm) || 20 });
  const which = choice(["", ...stock.map((one) => one.id)], ["a grade", ...stock.map((one) => one.name)]), grade = make("input", { maxlength: 60, placeholder: "as 4140", required: !of });
  const flat = make("input", { type: "checkbox" }), named = field("Grade", grade);
  which.addEventListener("change", () => { named.hidden = which.value !== ""; grade.required = !named.hidden; });
  return make("form", { onsubmit: (event) => {
    event.preventDefault();
    const number = of ? of.id : which.value && Number(which.value);
    const asked = optional({ stock: number, steel: number ? "" : grade.value, section_mm: Number(section.value), use: use.value, flat: flat.checked });
    answered(context, post("plan/sheet", asked), "", (told) => sheet(root, told, asked, context));
  } }, of ? null : [field("Of", which), named], field("Thickness, mm", section), field("For", use), make("label", { class: "tick" }, flat, "It is flat, not round"),
  make("button", { class: "main" }, "Make the plan sheet"));
}

function sheet(root, told, asked, context) {
  const start = () => load(told.program, told.program, context, { section_mm: asked.section_mm, stock: asked.stock });
  // A title with its first line each, so that the whole plan lies on one screen; the rest opens, and is open on paper.
  const part = ({ title, lines: [first, ...rest] }) => make("details", {}, make("summary", {}, make("span", {}, make("h2", {}, title), inUnits(first || ""))),
    make("ul", {}, rest.map((line) => make("li", {}, inUnits(line)))));
  root.replaceChildren(make("article", { class: "sheet" }, make("h1", {}, told.title), told.sections.map(part)),
    make("div", { class: "row noprint" },
      told.program && context.operator() ? button("Start this temper", start, "main", { disabled: !context.fresh() }) : null,
      button("Print", () => window.print()), button("Back to steel", () => context.go("Steel"))),
    note(told.program ? "The temper starts after you said what lies in the oven." : "No temper of this oven makes that: the sheet says why."));
  window.addEventListener("beforeprint", () => root.querySelectorAll(".sheet details").forEach((one) => { one.open = true; }), { once: true });
  window.scrollTo(0, 0);
}
