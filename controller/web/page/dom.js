// Small makers of elements and of words. Text is always text, so a program named like a tag stays a name.

export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

// Other content for an element; nothing for what is null.
export const fill = (element, ...children) => element.replaceChildren(...make("div", {}, ...children).childNodes);

export const button = (text, onclick, kind = "", rest = {}) =>
  make("button", { type: "button", class: kind, onclick, ...rest }, text);

export const note = (...text) => make("p", { class: "note" }, ...text);

// --- Forms ---

export const number = (rest = {}) => make("input", { type: "number", step: "any", inputmode: "decimal", ...rest });
export const field = (text, input) => make("label", {}, make("span", {}, text), input);
export const choice = (values, texts) => make("select", {}, values.map((value, index) => make("option", { value }, texts[index])));
// Without what was left open.
export const optional = (body) => Object.fromEntries(Object.entries(body).filter(([, value]) => value !== "" && value !== null && value !== undefined && value !== false));

// Says how a request ended: its answer goes to `then`, a refusal stands in words.
export async function answered(context, request, said, then) {
  try {
    const answer = await request;
    if (said) context.say(said);
    then(answer);
  } catch (error) {
    context.say(inUnits(error.message), true);
  }
}

// A state in shape and colour beside its word: on (disc), wait (triangle), stop (square), off (ring).
export const shape = (kind) => make("span", { class: `shape ${kind}`, "aria-hidden": "true" });

// --- Temperatures: °C inside, °C or °F as this phone chose ---

const shown = { shop: "C" };
export const shopUnits = (unit) => { shown.shop = unit; };
export const chooseUnits = (unit) => { try { localStorage.setItem("units", unit); } catch { shown.shop = unit; } };
export function units() {
  try { return localStorage.getItem("units") || shown.shop; } catch { return shown.shop; }
}

export const fromCelsius = (celsius) => (units() === "F" ? celsius * 1.8 + 32 : celsius);
export const toCelsius = (value) => (units() === "F" ? (value - 32) / 1.8 : value);
export const differenceOf = (kelvins) => (units() === "F" ? kelvins * 1.8 : kelvins);
const known = (value) => value !== null && value !== undefined;

export const degrees = (celsius, digits = 0) =>
  (known(celsius) ? `${fromCelsius(celsius).toFixed(digits)}\u00a0°${units()}` : "not known");

// The °C of a ready-made sentence in this phone's units; "20 °C below" is a difference, "below 60 °C" is not.
export function inUnits(text) {
  if (units() === "C") return text;
  return String(text).replace(/(?:(-?\d+(?:\.\d+)?)( and | to ))?(-?\d+(?:\.\d+)?) °C( (?:below|above|more|less)\b)?/g,
    (_, first, joint, value, after) => (after
      ? `${differenceOf(Number(value)).toFixed(0)} °F${after}`
      : `${first === undefined ? "" : fromCelsius(Number(first)).toFixed(0) + joint}${fromCelsius(Number(value)).toFixed(0)} °F`));
}

// --- Times: the service's clock may be wrong (a small board has none of its own), this phone's is the smith's ---

const skew = { ms: 0 };
export const serviceClock = (now) => { skew.ms = Date.now() - Date.parse(now); };
const wall = (when) => new Date(typeof when === "number" ? when : Date.parse(when) + skew.ms);
export const local = (when) => wall(when).getTime();
export const clock = (when) => wall(when).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
export const day = (when) => wall(when).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });

export function span(seconds) {
  if (!known(seconds)) return "not known";
  if (seconds < 90) return `${Math.max(0, Math.round(seconds))}\u00a0s`;
  const minutes = Math.round(seconds / 60), rest = minutes % 60;
  if (minutes < 120) return `${minutes}\u00a0min`;
  return rest ? `${Math.floor(minutes / 60)}\u00a0h ${rest}\u00a0min` : `${Math.floor(minutes / 60)}\u00a0h`;
}

// A sentence carries clock times as {in:SECONDS}: only this phone knows the local clock.
// A number and its unit stay on one line.
export const spoken = (text) => text
  .replace(/\{in:(-?\d+)\}/g, (_, seconds) => clock(Date.now() + 1000 * Number(seconds)))
  .replace(/(\d) (min|h|s|°[CF])\b/g, "$1\u00a0$2");
