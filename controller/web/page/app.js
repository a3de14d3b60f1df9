// The page shows the last snapshot. What a tap asked is believed when a snapshot says so, never before.
import { get, post, stream, Refused } from "/page/api.js";
import { button, fill, inUnits, make, note, serviceClock, shopUnits, span, spoken, units } from "/page/dom.js";
import { book } from "/page/book.js";
import { History } from "/page/history.js";
import { Now } from "/page/now.js";
import { programs } from "/page/start.js";
import { shop } from "/page/shop.js";
import { awake, listen, ring, tell, wake } from "/page/sound.js";
import { steel } from "/page/steel.js";

const PLACES = { Now: null, Programs: programs, Steel: steel, Book: book, Shop: shop };
// The service looks twice a second: three that did not come, and what is shown is old.
const OLD_S = 2;
const ASKED = "Asked.";
const CONFIRM_WITHIN_MS = 6000;
const page = { status: null, heardAt: 0, role: "viewer", now: null, waiting: null, announced: "", running: false };
const history = new History();
const element = (id) => document.getElementById(id);

// A refusal, and what has been asked, stand until something else is said; the rest goes by itself.
function say(text, bad = false) {
  const box = element("said");
  box.textContent = text;
  box.classList.toggle("refused", bad);
  clearTimeout(say.timer);
  if (!bad && text !== ASKED) say.timer = setTimeout(() => { box.textContent = ""; }, Math.max(4000, text.length * 70));
}

// Answered at once ("asked"), then by the service, then by the snapshot for which `until` holds.
async function ask(path, body, { said = "Done.", until = null, by = null } = {}) {
  say(ASKED);
  page.waiting = null;
  if (by) by.disabled = true;
  try {
    const answer = await post(path, body);
    if (answer?.remarks?.length) said = answer.remarks.map((one) => inUnits(one.text)).join(" ");
    page.waiting = { until: until || (() => true), said, since: Date.now(), heardAt: page.heardAt };
    return answer;
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (error.status === 401) pairing();
    else say(error.reasons.map(inUnits).join(" "), true);
    return null;
  } finally {
    if (by) by.disabled = false;
  }
}

function confirmed(status) {
  const { waiting } = page;
  if (!waiting || page.heardAt === waiting.heardAt) return;
  if (waiting.until(status)) say(typeof waiting.said === "function" ? waiting.said() : waiting.said);
  else if (Date.now() - waiting.since < CONFIRM_WITHIN_MS) return;
  else say("Taken, but the shop does not show it yet. Look at the machine.", true);
  page.waiting = null;
}

// The dialog lies over the page, so it carries a Stop of its own.
function dialog(content, action) {
  const box = element("dialog");
  fill(box, content, make("div", { class: "foot" }, make("div", { class: "row apart" }, button("Back", () => box.close()), action),
    button("Stop", () => { box.close(); stop(); }, "stop")));
  if (!box.open) box.showModal();
  box.scrollTop = 0;
  return box;
}

const silence = () => (Date.now() - page.heardAt) / 1000;
const age = (status) => Math.max(silence(), status.data_age_s, status.board.data_age_s || 0);
const context = {
  ask, say, dialog, history,
  status: () => page.status,
  operator: () => page.role === "operator",
  fresh: () => Boolean(page.status) && age(page.status) < OLD_S && page.status.board.connected,
  go: (place) => { if (location.hash.slice(1) === place) show(place); else location.hash = place; },
  trySound: async () => {
    await wake();
    ring("hand");
    say(awake() ? "Three tones. If you hear none, look at this phone's volume." : "This browser gives no sound here.", !awake());
  },
};

const idle = ({ oven, tank }) => !["heat_up", "soak", "cool", "prompt", "withheld", "waiting_for_arm"].includes(oven.phase)
  && tank.setpoint_c === null && !oven.asked_duty && !tank.asked_duty;
// Of heat itself only the board knows, and a relay that sticks not even it.
const stopped = () => `Stopped: no heat is asked for.${context.fresh() ? "" : " The board is not heard: look at the machine."}`;
const stop = () => ask("stop", {}, { said: stopped, until: idle });

function line(status) {
  const { board } = status, old_s = age(status), parts = [];
  if (status.mode === "rehearsal") parts.push(make("strong", { class: "rehearsal" }, "Rehearsal: no real heat"));
  parts.push(make("span", {}, !board.armed ? "Not armed" : `Armed, ${span(60 * Math.floor((board.arm_expires_s || 0) / 60))}`));
  const told = !board.connected && silence() < OLD_S ? "No board" : old_s < OLD_S ? "Data fresh" : `No data for ${span(old_s)}`;
  parts.push(make("span", { class: told === "Data fresh" ? "" : "bad" }, told));
  const text = parts.map((part) => part.textContent).join("|");
  if (line.shown !== text) element("line").replaceChildren(...parts);
  line.shown = text;
}

function sentence(status) {
  if (silence() >= OLD_S && !status.fire) {
    return [`No data for ${span(silence())}. The numbers below are old.`, "The board keeps its own limits. Look at the oven."];
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
  if (page.now) page.now.update(status, text, advice);
  // Read aloud when the state changes, not when a minute has passed.
  const state = JSON.stringify([status.oven.phase, status.tank.phase, status.verdict, status.prompt, silence() >= OLD_S]);
  if (state !== page.announced) element("announced").textContent = `${text} ${advice}`;
  page.announced = state;
  tell(status);
}

function fire(status, text, advice) {
  const shown = document.querySelector(".fire");
  if (!status.fire) { if (shown) shown.remove(); return; }
  if (shown) return;
  if (element("dialog").open) element("dialog").close();
  // One thing a line, in large words, and nothing else.
  document.body.append(make("section", { class: "fire", role: "alert" }, make("h1", {}, text),
    make("ul", {}, advice.split(/(?<=\.)\s+/).map((line) => make("li", {}, line))), button("Stop", stop, "stop")));
}

async function show(place) {
  page.place = place;
  page.now = null;
  for (const item of element("menu").children) {
    if (item.textContent === place) item.setAttribute("aria-current", "page"); else item.removeAttribute("aria-current");
  }
  // Each place gets an element of its own: an answer that comes late writes into one that is no longer shown.
  const root = make("div", { class: `place ${place.toLowerCase()}` });
  element("main").replaceChildren(root);
  window.scrollTo(0, 0);
  if (place === "Now") {
    page.now = new Now(root, context);
    draw();
    return;
  }
  try {
    await PLACES[place](root, context);
  } catch (error) {
    if (error.status === 401) pairing();
    else root.append(make("p", { class: "bad", role: "alert" }, error.message));
  }
}

const wanted = () => (location.hash.slice(1) in PLACES ? location.hash.slice(1) : "Now");

function heard(status) {
  page.status = status;
  page.heardAt = Date.now();
  serviceClock(status.now);
  history.follow(status);
  confirmed(status);
  draw();
}

// A stream that breaks may mean that this phone was shut out.
const lost = () => { draw(); get("status").catch((error) => { if (error.status === 401) pairing(); }); };

async function begin(status) {
  shopUnits(status.units);
  page.paired = true;
  const devices = await get("devices").catch(() => []), own = devices.find((device) => device.this);
  page.role = own ? own.role : "viewer";
  element("bar").hidden = false;
  element("menu").replaceChildren(...Object.keys(PLACES).map((place) => button(place, () => context.go(place))));
  heard(status);
  show(wanted());
  if (page.running) return;
  page.running = true;
  stream({ snapshot: heard, event: (event) => history.event(event), lost });
  setInterval(draw, 1000);
  window.addEventListener("hashchange", () => { if (page.paired) show(wanted()); });
}

function pairing(text = "") {
  page.now = page.status = null;
  page.paired = false;
  element("bar").hidden = true;
  element("line").replaceChildren();
  line.shown = "";
  const code = make("input", { class: "code", autocomplete: "one-time-code", autocapitalize: "characters", spellcheck: "false", maxlength: 12, required: true, "aria-label": "Code" });
  const label = make("input", { maxlength: 40, placeholder: "Shop phone", "aria-label": "Name of this phone" });
  const told = make("p", { class: "bad", role: "alert" }, text);
  code.value = new URLSearchParams(location.hash.slice(1)).get("pair") || "";
  const form = make("form", { class: "place", onsubmit: async (event) => {
    event.preventDefault();
    told.textContent = "";
    try {
      await post("pair", { code: code.value.replace(/[\s-]/g, "").toUpperCase(), ...(label.value.trim() ? { label: label.value.trim() } : {}) });
      window.history.replaceState(null, "", "/");
      await begin(await get("status"));
    } catch (error) {
      told.textContent = error.message;
      code.select();
    }
  } },
  make("h1", {}, "Pair this phone with the shop."),
  make("p", {}, "The machine shows a code when it starts. The command for another one is: ovenhand pair"),
  make("label", {}, make("span", {}, "Code, 8 characters"), code),
  make("label", {}, make("span", {}, "What to call this phone, if you like"), label),
  told, make("button", { class: "main" }, "Pair"),
  note("Once paired, it may start a temper or only look on and stop, as the machine said. Nothing heats before somebody presses the arm button at the oven."));
  element("main").replaceChildren(form);
  if (!code.value) code.focus();
}

element("stop").addEventListener("click", stop);
element("said").addEventListener("click", () => { element("said").textContent = ""; });
listen();
get("status").then(begin).catch((error) => (error.status === 401 ? pairing() : pairing(error.message)));
