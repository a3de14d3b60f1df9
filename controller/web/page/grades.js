// The grades, with the source of every figure and what it is worth.
import { get } from "/page/api.js";
import { degrees, fromCelsius, inUnits, make, note, units } from "/page/dom.js";

const ELEMENTS = ["c", "mn", "si", "ni", "cr", "mo", "v", "w"];
const NAMES = {
  ac1_c: "Ac1", ac3_or_accm_c: "Ac3 or Accm", ms_c: "Ms", austenitise_c: "Harden from", quench: "Quench in",
  double_temper: "Second temper", embrittlement: "Brittle between", slow_cool_embrittlement: "Brittle after a slow cool",
};

function figure(fact) {
  if (fact.value !== undefined) return degrees(fact.value);
  if (fact.low !== undefined) return `${fromCelsius(fact.low).toFixed(0)} to ${degrees(fact.high)}`;
  return inUnits(fact.text || "");
}

const worth = (fact) => note(inUnits(`${fact.source[0].toUpperCase()}${fact.source.slice(1)}; ${fact.mark}.`));

function grade(steel) {
  const made = steel.composition, alloy = ELEMENTS.filter((name) => made[name]).map((name) => `${name[0].toUpperCase()}${name.slice(1)} ${made[name]}`);
  const facts = Object.entries(NAMES).filter(([key]) => steel[key])
    .map(([key, name]) => make("li", {}, make("p", {}, `${name}: ${figure(steel[key])}`), worth(steel[key])));
  const tables = (steel.temper_tables || []).map((one) => make("li", {}, make("p", {}, `Tempered ${one.schedule}`),
    make("div", { class: "scroll" }, make("table", {}, make("thead", {}, make("tr", {}, make("th", { scope: "col" }, `°${units()}`), make("th", { scope: "col" }, "HRC"))),
      make("tbody", {}, one.temperatures_c.map((c, index) => make("tr", {}, make("td", {}, fromCelsius(c).toFixed(0)), make("td", {}, one.hardness_hrc[index])))))),
    worth(one)));
  return make("details", {}, make("summary", {}, make("strong", {}, steel.name), make("span", { class: "note" }, steel.label || steel.family || "")),
    steel.note ? make("p", {}, inUnits(steel.note)) : null,
    make("ul", { class: "plain" }, make("li", {}, make("p", {}, `In percent: ${alloy.join(", ")}`), worth(made)), facts, tables));
}

export async function grades() {
  return make("section", { class: "grades" }, make("h2", {}, "Grades"),
    note("Every figure with its source, and whether it was published or is from memory. Two tables of one grade differ by 2 to 5 HRC: a coupon of your own bar tells more than any of them."),
    (await get("steels")).map(grade));
}
