"""The page: what it weighs, and what one update of its chart costs a phone."""

from __future__ import annotations

import gzip
import statistics
from pathlib import Path
from typing import NamedTuple

from tests.page.browser import PHONE, chromium
from tests.page.fake import PAGE, Script, fake

SLOWER = 6
POINTS = 14_400
"""Four hours of samples, one a second."""

UPDATES = """async (count) => {
  const { Chart } = await import("/page/chart.js");
  const chart = new Chart(), now = Date.now(), points = [];
  const from = now - count * 1000;
  for (let second = 0; second < count; second++) {
    const part = 205 - 185 * Math.exp(-second / 900), air = part + 12 * Math.cos(second / 40);
    points.push({ at: from + second * 1000, part, air, oil: 21, target: 205, band: 5 });
  }
  const holder = document.createElement("div");
  holder.style.cssText = "width: 340px; height: 320px";
  chart.canvas.style.cssText = "width: 100%; height: 100%";
  holder.append(chart.canvas);
  document.body.prepend(holder);
  const plan = [{ at: now, c: 205, soak: true }, { at: now + 3600000, c: 205, soak: true }];
  const taken = [];
  for (let round = 0; round < 40; round++) {
    points.push({ ...points[points.length - 1], at: now + round * 1000 });
    const began = performance.now();
    chart.show({ points, plan });
    chart.canvas.getContext("2d").getImageData(0, 0, 1, 1);  // wait until it is really drawn
    taken.push(performance.now() - began);
    await new Promise((done) => setTimeout(done, 20));
  }
  return taken;
}"""


class PageCost(NamedTuple):
    gzip_kb: float
    chart_ms: float
    chart_worst_ms: float


def gzip_kb(directory: Path = PAGE) -> float:
    """Script and style as they go over the line, kB of 1000 bytes."""
    files = [*directory.glob("*.js"), *directory.glob("*.css")]
    return sum(len(gzip.compress(file.read_bytes(), 9)) for file in files) / 1000.0


def cost() -> PageCost:
    """The weight, and the median and worst of 40 updates at a sixth of the CPU's speed, the first two left out."""
    with chromium() as browser, fake(Script("soak")) as address:
        page = browser.new_page(viewport=PHONE)
        page.goto(address)
        page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
        taken = page.evaluate(UPDATES, POINTS)[2:]
    return PageCost(gzip_kb(), statistics.median(taken), max(taken))


if __name__ == "__main__":
    print(cost())
