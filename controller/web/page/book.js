// The book: what was done, and how it went.
import { get } from "/page/api.js";
import { Chart, table } from "/page/chart.js";
import { button, clock, day, degrees, fill, inUnits, make, note, shape, span } from "/page/dom.js";
import { recorded } from "/page/history.js";

const HOW = { ended: ["good", "Done"], stopped: ["off", "Stopped by hand"], tripped: ["stop", "Stopped by a check"], "cut off": ["wait", "Cut off"] };

export async function book(root, context) {
  root.append(make("h1", {}, "Book"));
  const runs = await get("runs");
  if (!runs.length) root.append(make("p", {}, "No run yet. The first one will stand here."));
  root.append(make("ul", { class: "plain" }, runs.map((run) => {
    const [kind, word] = run.outcome ? HOW[run.outcome] || ["off", run.outcome] : ["on", "Going on"];
    return make("li", {}, button(`${run.program_name}, ${day(run.started_at)}`, () => one(root, run.id, context), "wide"),
      make("p", { class: "state" }, shape(kind), word, run.duration_s ? ` after ${span(run.duration_s)}` : ""));
  })));
}

async function one(root, id, context) {
  root.replaceChildren(make("h1", {}, "Book"), make("p", {}, "Looking it up."));
  const { run, points, marks } = await recorded(id), chart = new Chart();
  const [kind, word] = run.outcome ? HOW[run.outcome] || ["off", run.outcome] : ["on", "Going on"];
  const temper = (done, index) => make("li", {},
    make("h2", {}, `Temper ${index + 1}: ${degrees(done.temperature_c)}, ${Math.round(done.in_band_s / 60)} of ${Math.round(done.soak_s / 60)} min in band.`),
    note(`Steel at most ${degrees(done.part_peak_c)}, air at most ${degrees(done.air_peak_c)}.`,
      done.equivalent_c ? ` It tempers like ${span(done.soak_s)} at ${degrees(done.equivalent_c)}.` : ""));
  const load = (run.load || []).map((piece) => `${piece.mass_kg.toFixed(2)} kg, ${piece.section_mm} mm thick`).join("; ");
  fill(root, make("h1", {}, run.program_name), note(`${day(run.started_at)}, run ${id}, started by ${run.who}.`),
    make("p", { class: "state" }, shape(kind), `${word}${run.duration_s ? ` after ${span(run.duration_s)}` : ""}. ${inUnits(run.ending || "")}`),
    load ? make("p", {}, `Load: ${load}.`) : null, chart.canvas, chart.told,
    make("ul", { class: "plain" }, (run.tempers || []).map(temper)),
    make("details", {}, make("summary", {}, "The same as a table"), make("div", { class: "scroll" }, table(points))),
    make("details", {}, make("summary", {}, "What happened"), make("ul", { class: "plain" }, marks.map((mark) => make("li", {}, `${clock(mark.at)}  ${mark.text}`)))),
    make("div", { class: "row" }, make("a", { class: "button", href: `/api/v1/runs/${id}/trace.csv`, download: `run-${id}.csv` }, "Trace as CSV"),
      make("a", { class: "button", href: `/api/v1/runs/${id}/record.pdf`, target: "_blank" }, "To print"),
      button("Back to the book", () => context.go("Book"))));
  chart.show({ points, marks });
}
