// What is asked about the oil: warm it, now or for a time; a quench for the book.
import { get, post } from "/page/api.js";
import { choice, clock, degrees, differenceOf, field, fill, fromCelsius, inUnits, make, note, number, shape, span, toCelsius, units } from "/page/dom.js";

// The next time that a clock shows HH:MM, as RFC 3339.
function next(hhmm) {
  const [hours, minutes] = hhmm.split(":").map(Number), at = new Date();
  at.setHours(hours, minutes, 0, 0);
  if (at.getTime() < Date.now()) at.setDate(at.getDate() + 1);
  return at;
}

export function preheat({ ask, dialog, status }) {
  const { tank } = status(), highest = tank.ceiling_c === null ? null : tank.ceiling_c - 5;
  const target = number({ placeholder: "the oil's own", min: Math.ceil(fromCelsius(20)), max: highest === null ? null : Math.floor(fromCelsius(highest)) });
  const at = make("input", { type: "time" }), wet = make("input", { type: "checkbox" });
  const form = make("form", { id: "asked", onsubmit: (event) => {
    event.preventDefault();
    box.close();
    const body = {};
    if (target.value) body.target_c = Math.round(10 * toCelsius(Number(target.value))) / 10;
    if (wet.checked) body.gentle = true;
    if (at.value) body.ready_at = next(at.value).toISOString();
    ask("tank/preheat", body, { said: at.value ? `The oil is to be ready at ${clock(next(at.value).getTime())}.` : "The oil is to be warmed.", until: (now) => now.tank.setpoint_c !== null });
  } },
  make("h2", {}, "Warm the oil"),
  make("p", {}, `Lid off the heater, oil stirred, somebody here. ${highest === null ? "" : `${degrees(highest)} is the most for this oil.`}`),
  field(`Temperature, °${units()}`, target), field("Ready at, if not as soon as it can be", at),
  make("label", { class: "tick" }, wet, "Filled in lately, or water may be in it: warm it gently"),
  note("40 to 65 °C (105 to 150 °F) is common practice, no source. Hot oil is never left alone."));
  const box = dialog(form, make("button", { class: "main", form: "asked" }, "Warm it"));
}

// How far this steel would warm the oil as it is now, and whether it may: asked while it is typed.
function foreseen(mass, part) {
  const box = make("div", { class: "foreseen", "aria-live": "polite" }, note("Enter the mass, and here stands how far it warms the oil."));
  let timer = 0, asked = 0;
  const show = ({ rise_k, after_c, allowed, reasons, expected_low_k, expected_high_k, next_in_s }) => fill(box,
    make("p", { class: "state" }, shape(allowed ? "good" : "stop"), make("strong", {}, allowed ? "Allowed." : "Not allowed.")),
    make("p", {}, `The oil goes to ${degrees(after_c)} at the most, ${differenceOf(rise_k).toFixed(0)} °${units()} up; stirred, expect ${differenceOf(expected_low_k).toFixed(0)} to ${differenceOf(expected_high_k).toFixed(0)}.`),
    reasons.map((reason) => make("p", { class: "bad" }, inUnits(reason.text))),
    allowed && next_in_s ? note(`It takes the same again after about ${span(next_in_s)}.`) : null);
  const look = async () => {
    const mine = asked += 1;
    if (!(Number(mass.value) > 0)) return;
    const body = { mass_kg: Number(mass.value), ...(part.value ? { part_c: Math.round(toCelsius(Number(part.value))) } : {}) };
    try {
      const told = await post("plan/quench", body);
      if (mine === asked) show(told);
    } catch (error) { if (mine === asked) fill(box, note(inUnits(error.message))); }
  };
  const soon = () => { clearTimeout(timer); timer = setTimeout(look, 250); };
  for (const input of [mass, part]) input.addEventListener("input", soon);
  return { box, look: soon };
}

export async function quench({ ask, dialog }) {
  const pieces = (await get("pieces").catch(() => [])).filter((one) => !one.finished_at);
  const mass = number({ placeholder: "not weighed", min: 0.005, max: 20 });
  const part = number({ placeholder: "not known", min: Math.ceil(fromCelsius(100)), max: Math.floor(fromCelsius(1300)) });
  const ahead = foreseen(mass, part), of = choice(["", ...pieces.map((one) => one.id)], ["none of the book", ...pieces.map((one) => one.name)]);
  const another = make("input", { type: "checkbox" });
  of.addEventListener("change", () => {
    const piece = pieces.find((one) => String(one.id) === of.value);
    if (piece && piece.mass_kg) { mass.value = piece.mass_kg; ahead.look(); }
  });
  const form = make("form", { id: "asked", onsubmit: (event) => {
    event.preventDefault();
    box.close();
    const body = {};
    if (mass.value) body.mass_kg = Number(mass.value);
    if (part.value) body.part_c = Math.round(toCelsius(Number(part.value)));
    if (of.value) body.piece = Number(of.value);
    if (another.checked) body.another = true;
    ask("tank/quench", body, { said: "In the book." });
  } },
  make("h2", {}, "A quench"),
  make("p", {}, "Say it just before or just after: the checks of the oil then know where the rise came from."),
  pieces.length ? field("Which piece", of) : null,
  field("Mass of the steel, kg", mass), field(`How hot it goes in, °${units()}`, part),
  make("label", { class: "tick" }, another, "Another part than in the last ten minutes"), ahead.box);
  const box = dialog(form, make("button", { class: "main", form: "asked" }, "Write it down"));
}
