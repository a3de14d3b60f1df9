// What is asked about the oil: warm it, now or for a time; a quench for the book.
import { clock, degrees, fromCelsius, make, note, toCelsius, units } from "/page/dom.js";

const number = (rest) => make("input", { type: "number", step: "any", inputmode: "decimal", ...rest });
const field = (text, input) => make("label", {}, make("span", {}, text), input);

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
  const at = make("input", { type: "time" });
  const form = make("form", { id: "asked", onsubmit: (event) => {
    event.preventDefault();
    box.close();
    const body = {};
    if (target.value) body.target_c = Math.round(10 * toCelsius(Number(target.value))) / 10;
    if (at.value) body.ready_at = next(at.value).toISOString();
    ask("tank/preheat", body, { said: at.value ? `The oil is to be ready at ${clock(next(at.value).getTime())}.` : "The oil is to be warmed.", until: (now) => now.tank.setpoint_c !== null });
  } },
  make("h2", {}, "Warm the oil"),
  make("p", {}, `Lid off the heater, oil stirred, somebody here. ${highest === null ? "" : `${degrees(highest)} is the most for this oil.`}`),
  field(`Temperature, °${units()}`, target), field("Ready at, if not as soon as it can be", at),
  note("40 to 65 °C (105 to 150 °F) is common practice, no source. Hot oil is never left alone."));
  const box = dialog(form, make("button", { class: "main", form: "asked" }, "Warm it"));
}

export function quench({ ask, dialog }) {
  const mass = number({ placeholder: "not weighed", min: 0.001, max: 50 });
  const part = number({ placeholder: "not known", min: Math.ceil(fromCelsius(100)), max: Math.floor(fromCelsius(1300)) });
  const form = make("form", { id: "asked", onsubmit: (event) => {
    event.preventDefault();
    box.close();
    const body = {};
    if (mass.value) body.mass_kg = Number(mass.value);
    if (part.value) body.part_c = Math.round(toCelsius(Number(part.value)));
    ask("tank/quench", body, { said: "In the book." });
  } },
  make("h2", {}, "A quench, for the book"),
  make("p", {}, "Say it just before or just after: the checks of the oil then know where the rise came from."),
  field("Mass of the steel, kg", mass), field(`How hot it went in, °${units()}`, part));
  const box = dialog(form, make("button", { class: "main", form: "asked" }, "Write it down"));
}

