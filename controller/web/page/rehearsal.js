// The rehearsed machine: its buttons, its faults, its pace. Only in a rehearsal, and marked so.
import { get } from "/page/api.js";
import { button, inUnits, make, note } from "/page/dom.js";

export function rehearsal({ ask }) {
  const shown = make("span", {}, "Speed"), faults = make("ul", { class: "plain" }), count = make("span", {}, "Let something go wrong");
  const speed = make("input", { type: "range", min: 1, max: 20, step: 1, value: 1, "aria-label": "Speed" });
  const tell = () => { shown.textContent = speed.value === "1" ? "Speed: as the clock goes" : `Speed: ${speed.value} times the clock`; };
  speed.addEventListener("input", tell);
  speed.addEventListener("change", () => ask("rehearsal", { speed: Number(speed.value) }, { said: "So be it.", until: (now) => Math.round(now.speed) === Number(speed.value) }));
  const press = (name, text, rest) => button(text, (event) => ask("rehearsal", { press: name }, { by: event.currentTarget, ...rest }));
  const show = (state) => {
    if (!state) return;
    speed.value = state.speed;
    tell();
    const on = state.faults.filter((fault) => fault.on).length;
    count.textContent = on ? `${on} thing${on === 1 ? " is" : "s are"} wrong now` : "Let something go wrong";
    faults.replaceChildren(...[...state.faults].sort((one, other) => Number(other.on) - Number(one.on)).map((fault) => make("li", { class: "fault" },
      make("span", {}, inUnits(fault.text)),
      button(fault.on ? "Mend" : "Try", async (event) => {
        show(await ask("rehearsal", { fault: fault.name, on: !fault.on }, { said: fault.on ? "Mended." : inUnits(fault.text), by: event.currentTarget }));
      }, fault.on ? "main" : "", { "aria-pressed": String(fault.on), "aria-label": `${fault.on ? "Mend" : "Try"}: ${inUnits(fault.text)}` }))));
  };
  get("rehearsal").then(show).catch(() => {});
  return make("section", { class: "panel", "aria-label": "Rehearsal" }, make("h2", {}, "Rehearsal: no real heat"),
    note("In the shop these are the buttons at the machine, and what may go wrong there."),
    make("div", { class: "row" }, press("arm", "Press arm", { said: "Arm was pressed." }), press("reset", "Hold reset", { said: "Reset was held for 2 s." })),
    make("label", {}, shown, speed),
    make("details", {}, make("summary", {}, count), faults));
}
