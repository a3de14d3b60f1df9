// The page keeps no state of its own: it shows the last snapshot, and what a tap asked is believed when that says so.
import { get, post, stream, Refused } from "/page/api.js";
import { make, spoken, units } from "/page/dom.js";
import { Now } from "/page/now.js";
import { programs } from "/page/start.js";
import { book, shop, steel } from "/page/views.js";

const PLACES = { Now: null, Programs: programs, Steel: steel, Book: book, Shop: shop };
const page = { status: null, heardAt: 0, place: "Now", role: "operator", now: null, alarmed: "" };
const element = (id) => document.getElementById(id);
let audio = null;

export function say(text) {
  element("said").textContent = text;
  clearTimeout(say.timer);
  say.timer = setTimeout(() => { element("said").textContent = ""; }, Math.max(4000, text.length * 70));
}

// Every tap is answered at once, then by the service, then by the snapshot.
export async function ask(path, body, after) {
  say("Asked.");
  try {
    const answer = await post(path, body);
    if (after) say(after);
    return answer;
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (error.status === 401) return pairing();
    say(error.reasons.join(" "));
    return null;
  }
}

export function dialog(...children) {
  const box = element("dialog");
  // The dialog lies over the page, so it carries a Stop of its own.
  box.replaceChildren(...children, make("div", { class: "row" }, make("button", { type: "button", onclick: () => box.close() }, "Close")),
    make("button", { type: "button", class: "stop", onclick: () => ask("stop", {}, "Heat is off.") }, "Stop all heat"));
  if (!box.open) box.showModal();
  return box;
}

export const context = {
  ask, say, dialog,
  status: () => page.status,
  operator: () => page.role === "operator",
  fresh: () => page.status && Date.now() - page.heardAt < 3000 && page.status.data_age_s < 3 && page.status.board.connected,
  go: (place) => show(place),
};

function line(status) {
  const parts = [];
  if (status.mode === "rehearsal") parts.push(make("span", { class: "rehearsal" }, "Rehearsal: no real heat"));
  const { board } = status;
  parts.push(make("span", {}, board.armed ? `Armed, ${Math.floor((board.arm_expires_s || 0) / 60)} min` : "Not armed"));
  const age = Math.max(status.data_age_s, (Date.now() - page.heardAt) / 1000);
  parts.push(make("span", { class: age > 3 || !board.connected ? "bad" : "" }, board.connected ? `Data ${age < 3 ? "fresh" : `${age.toFixed(0)} s old`}` : "No board"));
  element("line").replaceChildren(...parts);
}

function sentence(status) {
  const silent = (Date.now() - page.heardAt) / 1000;
  if (silent > 3) {
    return [`No data for ${Math.round(silent)} s. The numbers below are old.`, "The board keeps its own limits. Look at the oven."];
  }
  const said = units() === "F" ? status.sentence_f : status.sentence_c;
  return [spoken(said.text), spoken(said.advice)];
}

function draw() {
  const { status } = page;
  if (!status) return;
  line(status);
  const [text, advice] = sentence(status);
  document.title = text;
  fire(status, text, advice);
  if (page.now) page.now.update(status, text, advice, context);
  const alarm = status.verdict === "trip" ? text : status.prompt ? status.prompt.text : "";
  if (alarm && alarm !== page.alarmed) beep();
  page.alarmed = alarm;
}

function fire(status, text, advice) {
  const shown = document.querySelector(".fire");
  if (!status.fire) { if (shown) shown.remove(); return; }
  if (shown) return;
  document.body.append(make("section", { class: "fire", role: "alert" },
    make("h1", {}, text), make("p", {}, advice),
    ...["Heat off from a distance.", "Slide the metal lid on.", "Class B or K extinguisher. Never water.", "Never move the tank.", "Leave and call the fire brigade.", "Do not lift the lid until it is cold."].map((one) => make("p", {}, one)),
    make("button", { type: "button", onclick: () => ask("stop") }, "Stop all heat")));
}

function beep() {
  if (!audio) return;
  const tone = audio.createOscillator(), gain = audio.createGain();
  gain.gain.value = 0.2;
  tone.frequency.value = 880;
  tone.connect(gain).connect(audio.destination);
  tone.start();
  tone.stop(audio.currentTime + 0.6);
}

function show(place) {
  page.place = place;
  page.now = null;
  for (const button of element("menu").children) {
    if (button.textContent === place) button.setAttribute("aria-current", "page"); else button.removeAttribute("aria-current");
  }
  const main = element("main");
  main.replaceChildren();
  window.scrollTo(0, 0);
  if (place === "Now") {
    page.now = new Now(main, context);
    draw();
  } else {
    Promise.resolve(PLACES[place](main, context)).catch((error) => main.append(make("p", { class: "bad" }, error.message)));
  }
}

function begin(status) {
  page.status = status;
  page.heardAt = Date.now();
  window.shopUnits = status.units;
  element("menu").hidden = element("stopbar").hidden = false;
  element("menu").replaceChildren(...Object.keys(PLACES).map((place) => make("button", { type: "button", onclick: () => show(place) }, place)));
  get("devices").then((devices) => { const own = devices.find((one) => one.this); if (own) { page.role = own.role; draw(); } }).catch(() => {});
  show(PLACES[location.hash.slice(1)] === undefined ? "Now" : location.hash.slice(1));
  stream((one) => { page.status = one; page.heardAt = Date.now(); draw(); }, (event) => { if (page.now) page.now.event(event, context); });
  setInterval(draw, 1000);
}

function pairing(text = "") {
  const code = make("input", { class: "code", autocomplete: "one-time-code", autocapitalize: "characters", maxlength: 8, required: true, "aria-label": "Code" });
  const label = make("input", { maxlength: 40, placeholder: "Shop phone", "aria-label": "Name of this phone" });
  const told = make("p", { class: "bad", role: "alert" }, text);
  code.value = new URLSearchParams(location.hash.slice(1)).get("pair") || "";
  const form = make("form", { onsubmit: async (event) => {
    event.preventDefault();
    try {
      await post("pair", { code: code.value.trim().toUpperCase(), ...(label.value ? { label: label.value } : {}) });
      history.replaceState(null, "", "/");
      begin(await get("status"));
    } catch (error) { told.textContent = error.message; }
  } },
  make("h1", {}, "Pair this phone with the shop."),
  make("p", {}, "The machine shows a code when it starts. Another one comes from the command: ovenhand pair."),
  make("label", {}, make("span", {}, "Code, 8 characters"), code),
  make("label", {}, make("span", {}, "Name of this phone, if you like"), label),
  told, make("button", { class: "main" }, "Pair"));
  element("main").replaceChildren(form);
  code.focus();
}

element("stop").addEventListener("click", () => ask("stop", {}, "Heat is off."));
document.addEventListener("pointerdown", () => { audio = audio || new AudioContext(); }, { once: true });
get("status").then(begin).catch((error) => (error.status === 401 ? pairing() : pairing(error.message)));
