// What people were told, who has seen it, and whether the messages get through.
import { get, post } from "/page/api.js";
import { button, day, inUnits, make, note, shape, spoken } from "/page/dom.js";

const SHOWN = 8;
const KIND = { fire: "stop", trip: "stop", hand: "wait", news: "on" };

export async function alerts(root, context) {
  const { alerts: told, channels } = await get("alerts");
  const again = () => alerts(root, context).catch((error) => context.say(error.message, true));
  const seen = async (id) => {
    try { await post(`alerts/${id}/seen`); again(); } catch (error) { context.say(error.message, true); }
  };
  const test = async () => {
    try {
      const { channels: asked } = await post("alerts/test");
      context.say(`A test is on its way by ${asked === 1 ? "one channel" : `${asked} channels`}. Look here again in a moment.`);
      setTimeout(again, 4000);
    } catch (error) { context.say(error.message, true); }
  };
  const line = (one) => make("li", { class: "row apart" },
    make("span", {}, shape(KIND[one.urgency]), " ", spoken(inUnits(one.headline)), note(`${day(one.at)}${one.seen_at ? `, seen by ${one.seen_by}` : ""}`)),
    one.seen_at || !context.operator() ? null : button("Seen", () => seen(one.id), "", { "aria-label": `Seen: ${one.headline}` }));
  const way = (one) => make("li", {}, make("p", { class: "state" }, shape(one.failing ? "wait" : "good"), `${one.name}: ${one.failing || (one.last_delivered_at ? "gets through" : "nothing sent yet")}`),
    note(one.last_delivered_at ? `Last one ${day(one.last_delivered_at)}. ` : "", one.waiting ? `${one.waiting} waiting. ` : "", one.forgotten ? `${one.forgotten} given up.` : ""));
  root.replaceChildren(make("h2", {}, "Messages"),
    told.length ? make("ul", { class: "plain" }, told.slice(0, SHOWN).map(line)) : note("Nothing was told yet."),
    channels.length ? make("ul", { class: "plain" }, channels.map(way))
      : note("They stand here only: the shop file names no channel to a phone or mail. The sounder at the machine is the alarm that counts."),
    ...(channels.length && context.operator() ? [make("div", { class: "row" }, button("Send a test", test))] : []));
}
