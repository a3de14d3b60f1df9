// The shop: units and sound, the oil's margins, the board, paired phones, and what to mind.
import { alerts } from "/page/alerts.js";
import { get, post } from "/page/api.js";
import { button, chooseUnits, day, degrees, differenceOf, make, note, shape, units } from "/page/dom.js";

const FITTED = ["oven sensor", "second oven sensor", "tank sensor", "second tank sensor", "sensor on the steel", "oven current sensor",
  "tank current sensor", "oil level", "stirrer", "smoke or CO contact", "door switch"];
const CAUTIONS = [
  "Mains wiring is work for somebody qualified, to your local code. An oven changed like this has lost its listing.",
  "This program is never the only barrier. Independent hardware limits are needed: on the oven a manual-reset thermostat and a one-shot thermal cut-off, on the tank a manual-reset limit, and a contactor in series with the solid-state relays.",
  "The oven's own thermostat stays in circuit at its maximum, its timer on.",
  "Oven and oil stand apart from each other and from the forge.",
  "Wash and dry quenched parts before the oven: its elements glow far above the point at which oil lights by itself.",
  "Hot oil is never left alone. Metal lid and a class B or K extinguisher at hand, never water.",
  "Wet oil boils over near 100 °C (212 °F).",
  "Oven fire: door shut, heat off, leave.",
  "Air the shop, and have a CO alarm.",
  "Oily rags go into a closed metal can: in a heap they light by themselves.",
  "Eye protection: a part left hard can throw chips.",
  "The oil's safety data sheet and your local code come before anything said here.",
];

export async function shop(root, context) {
  const { tank, board } = context.status(), limits = await get("tank/margins").catch(() => null);
  const choose = (unit) => button(`°${unit}`, () => { chooseUnits(unit); context.go("Shop"); }, units() === unit ? "main" : "", { "aria-pressed": String(units() === unit) });
  root.append(make("h1", {}, "Shop"), make("h2", {}, "This phone"),
    make("div", { class: "row" }, make("span", {}, "Temperatures in"), choose("C"), choose("F")),
    make("div", { class: "row" }, button("Try the sound", () => context.trySound()), note("The page calls when a temper ends, a hand is wanted or heat is stopped, while it is open. The sounder at the machine is the alarm that counts.")));
  if (limits && limits.flash_point_c !== null) root.append(...margins(tank, limits));
  root.append(make("h2", {}, "Board"), ...boardFacts(board), make("h2", {}, "Mind"),
    make("ul", { class: "plain" }, CAUTIONS.map((text) => make("li", {}, text))));
  const told = make("section"), devices = make("section"), mind = root.lastChild.previousSibling;
  root.insertBefore(told, mind);
  root.insertBefore(devices, mind);
  await Promise.all([alerts(told, context), paired(devices, context)]);
}

// One scale from 0 to the flash point: how far the oil stays from it, in its own proportions.
function margins(tank, told) {
  const end = told.flash_point_c, at = (c) => `${Math.max(0, Math.min(100, 100 * c / end))}%`;
  const places = [["Oil now", tank.temperature_c, "plum"], ["Ceiling: no heat from here", told.ceiling_c, "straw"], ["Too hot to quench", told.limit_c, "straw"],
    ["Heat off, alarm", told.trip_c, "stop"], ["Lowest flash point", end, "stop"]].filter(([, c]) => c !== null);
  const bath = make("b");
  bath.style.left = at(told.bath_min_c);
  bath.style.width = `${100 * (told.bath_max_c - told.bath_min_c) / end}%`;
  const scale = make("div", { class: "scale", "aria-hidden": "true" }, bath, places.map(([, c, shade]) => {
    const pin = make("i", { class: shade });
    pin.style.left = at(c);
    return pin;
  }));
  return [make("h2", {}, "How far the oil stays from its flash point"), note(told.oil || ""), scale,
    make("dl", {}, make("dt", {}, make("i", { class: "key good" }), "Bath"), make("dd", {}, `${degrees(told.bath_min_c)} to ${degrees(told.bath_max_c)}`),
      places.flatMap(([name, c, shade]) => [make("dt", {}, make("i", { class: `key ${shade}` }), name), make("dd", {}, degrees(c), name === "Heat off, alarm" ? make("span", { class: "note" }, `${differenceOf(end - c).toFixed(0)} °${units()} below the flash point`) : null)]))];
}

function boardFacts(board) {
  const fitted = FITTED.filter((_, bit) => board.fitted & (1 << bit)), missing = FITTED.filter((_, bit) => !(board.fitted & (1 << bit)));
  const told = board.connected ? `It answers. Firmware ${board.firmware}.` : board.port_text || "It does not answer.";
  return [make("p", { class: "state" }, shape(board.connected ? "good" : "wait"), told),
    fitted.length ? note(`Fitted: ${fitted.join(", ")}.`) : null, fitted.length && missing.length ? note(`Not fitted: ${missing.join(", ")}.`) : null].filter(Boolean);
}

async function paired(root, context) {
  const devices = (await get("devices")).filter((device) => !device.revoked_at);
  const may = (role) => (role === "operator" ? "may start and stop" : "may look on and stop");
  const remove = async (device) => {
    try { await post(`devices/${device.id}/revoke`); paired(root, context); } catch (error) { context.say(error.message, true); }
  };
  root.replaceChildren(make("h2", {}, "Paired phones"), make("ul", { class: "plain" }, devices.map((device) => make("li", { class: "row apart" },
    make("span", {}, `${device.label}${device.this ? ", this one" : ""}`, note(`${may(device.role)}, since ${day(device.created_at)}`)),
    context.operator() && !device.this ? button("Remove", () => remove(device), "", { "aria-label": `Remove ${device.label}` }) : null))),
  note("The command for another code is: ovenhand pair. It says operator or viewer."));
}
