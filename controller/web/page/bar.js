// One bar: the ladder step by step, its file tests, and what they have taught.
import { get, post } from "/page/api.js";
import { answered, button, choice, degrees, field, fill, fromCelsius, inUnits, make, note, number, optional, shape, toCelsius, units } from "/page/dom.js";
import { planForm } from "/page/sheet.js";
import { bandOf } from "/page/steel.js";

const MEDIA = [["air", "still air"], ["oil", "oil"], ["water", "water"], ["brine", "brine"]];
const ONE_FILE = [["skates", "skates"], ["cuts hard", "cuts hard"], ["cuts easily", "cuts as easily as the air-cooled piece"]];
const STATE = { hard: ["good", "hard"], partly: ["wait", "in between"], soft: ["off", "soft"] };

export async function bar(root, id, context, again) {
  const [stock, ladder, tests, choices, pieces] = await Promise.all([get(`stock/${id}`), get(`stock/${id}/ladder`), get(`stock/${id}/filetests`), get("plan/choices"), get("pieces")]);
  const climbed = make("section"), filed = make("section"), can = context.operator();
  root.replaceChildren(make("h1", {}, stock.name),
    note([stock.grade && `Grade ${stock.grade}.`, stock.composition && `In percent: ${Object.entries(stock.composition).map((part) => part.join(" ")).join(", ")}.`,
      stock.section_mm && `${stock.section_mm} mm.`, stock.origin && `Was: ${stock.origin}.`].filter(Boolean).join(" ") || "Not known yet: climb the ladder."),
    climbed, filed, ...(can ? [make("h2", {}, "Plan a tool of it"), planForm(root, context, { choices, of: stock })] : []), make("div", { class: "row" }, button("Back to steel", again)));
  const showLadder = (told) => fill(climbed, make("h2", {}, "Ladder"), ladderTold(told), can ? rungForm(id, told, context, showLadder) : null);
  const showTests = (told) => fill(filed, make("h2", {}, "File tests"), testsTold(told), can ? testForm(id, pieces.filter((one) => one.stock_id === id), context, showTests) : null);
  showLadder(ladder);
  showTests(tests);
  window.scrollTo(0, 0);
}

const upper = (text) => `${text[0].toUpperCase()}${text.slice(1)}`;

function ladderTold({ rungs, judged, reason }) {
  if (!judged) return [make("p", { class: rungs.length ? "bad" : "" }, reason), rungs.length ? null : note("A coupon 10 to 13 mm thick tells most; heat it, quench it, grind half a millimetre off, then file.")];
  const carbon = judged.carbon_low === null ? "" : ` Carbon about ${judged.carbon_low} to ${judged.carbon_high > 2 ? "2 or more" : judged.carbon_high} %, a guess.`;
  return [make("p", {}, `${upper(judged.class)}.${carbon}`), make("p", { class: "next" }, make("strong", {}, "Next: "), inUnits(judged.next_test)),
    make("ul", { class: "plain" }, judged.rungs.map((rung) => make("li", {}, make("p", { class: "state" }, shape(STATE[rung.state][0]), `${upper(rung.medium)}: ${STATE[rung.state][1]}`)))),
    judged.warnings.map((text) => note(inUnits(text))),
    make("details", {}, make("summary", {}, judged.grades.length === 1 ? "1 grade remains possible" : `${judged.grades.length} grades remain possible`), make("ul", { class: "plain" }, judged.grades.map((grade) => make("li", {},
      make("h3", {}, grade.name), grade.for.length ? note(`For: ${grade.for.join("; ")}.`) : null, grade.against.length ? note(`Against: ${grade.against.join("; ")}.`) : null))))];
}

// What the file did: one ordinary file, or two of a graded set.
function files() {
  const one = choice(["", ...ONE_FILE.map(([value]) => value)], ["graded files, below", ...ONE_FILE.map(([, text]) => text)]);
  const skates = number({ min: 35, max: 70, placeholder: "none" }), bites = number({ min: 35, max: 70, placeholder: "none" });
  one.value = "skates";
  return {
    fields: [field("An ordinary file", one), make("details", {}, make("summary", {}, "A graded set"), field("The hardest that skates, HRC", skates), field("The softest that bites, HRC", bites))],
    read: () => (skates.value || bites.value ? { skates_hrc: skates.value && Number(skates.value), bites_hrc: bites.value && Number(bites.value) } : { one_file: one.value }),
  };
}

function rungForm(id, { rungs }, context, show) {
  const tried = rungs.map((rung) => (rung.medium === "still air" ? "air" : rung.medium)), last = rungs[rungs.length - 1];
  const medium = choice(MEDIA.map(([value]) => value), MEDIA.map(([, text]) => text)), coupon = number({ min: 1, max: 60, required: true, value: last ? last.section_mm : 12 }), file = files();
  medium.value = (MEDIA.find(([value]) => !tried.includes(value)) || MEDIA[0])[0];
  return make("form", { onsubmit: (event) => {
    event.preventDefault();
    answered(context, post(`stock/${id}/ladder`, optional({ medium: medium.value, section_mm: Number(coupon.value), ...file.read() })), "In the book.", show);
  } }, make("h3", {}, "A coupon was quenched"), field("In", medium), field("Its thickness, mm", coupon), file.fields, make("button", {}, "Write it down"));
}

function testsTold({ tests, teaching, before, now }) {
  const band = (one) => `${one.low_hrc.toFixed(0)} to ${one.high_hrc.toFixed(0)} HRC`;
  const known = now && now.low_hrc !== null, narrower = known && teaching && before && before.low_hrc !== null;
  return [known ? make("p", {}, `After 1 h at ${degrees(205)} expect ${now.hardness_hrc.toFixed(0)} HRC, ${band(now)} in nine of ten${narrower ? `, from ${teaching} tested ${teaching === 1 ? "piece" : "pieces"}. Without: ${band(before)}` : ""}.`)
    : note((now && inUnits(now.reason)) || "What to expect is said when the grade, the composition or a ladder is known."),
  make("ul", { class: "plain" }, tests.map((test) => make("li", {}, upper(inUnits(bandOf(test))))))];
}

function testForm(id, pieces, context, show) {
  const file = files(), warm = number({ min: Math.ceil(fromCelsius(60)), max: Math.floor(fromCelsius(705)), placeholder: "not tempered" }), minutes = number({ min: 1, value: 60 }), hand = make("input", { type: "checkbox" });
  const of = choice(["", ...pieces.map((one) => one.id)], ["a coupon", ...pieces.map((one) => one.name)]);
  return make("details", {}, make("summary", {}, "Enter a file test"), make("form", { onsubmit: (event) => {
    event.preventDefault();
    const temper = warm.value ? { temper_c: Math.round(10 * toCelsius(Number(warm.value))) / 10, temper_s: 60 * Number(minutes.value) } : {};
    answered(context, post(`stock/${id}/filetests`, optional({ ...file.read(), ...temper, piece: of.value && Number(of.value), by_hand: hand.checked })), "In the book.", show);
  } }, field("What was tested", of), file.fields, field(`Its temper, °${units()}`, warm), field("For how long, minutes", minutes),
  make("label", { class: "tick" }, hand, "The colours were run by hand"), make("button", {}, "Write it down")));
}
