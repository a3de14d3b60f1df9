"""The service left to itself in an accelerated rehearsal: its memory, its late ticks, its book, its log.

`python -m tests.study.unattended [MINUTES] [SPEED]`: 72 minutes at 20 times the clock are a day of the shop.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import httpx
import psutil

from controller.commands.doctor import HEAP
from tests.shop.process import ShopProcess, shop

PROGRAM: Final = {
    "name": "overnight",
    "tempers": [{"temperature_c": 205, "soak_min": 240}, {"temperature_c": 205, "soak_min": 120}],
}
LOAD: Final = [{"mass_kg": 0.5, "section_mm": 12}]
SETTLED: Final = 0.25
"""The share of the time after which memory is taken to have found its level."""
MOST_MB_A_DAY: Final = 1.0


@dataclass
class Left:
    """What was seen. Hours and days are the shop's; `shop_h` and the lists beside it one entry a sample."""

    speed: float
    shop_h: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)
    book_mb: list[float] = field(default_factory=list)
    runs: int = 0
    ticks: float = 0.0
    late: float = 0.0
    worst_late_s: float = 0.0
    tripped: bool = False
    secrets: int = 0

    @property
    def memory_mb_a_day(self) -> float:
        """The straight line's slope after the first quarter."""
        return slope([(h, m) for h, m in zip(self.shop_h, self.memory_mb, strict=True)
                      if h >= SETTLED * self.shop_h[-1]]) * 24.0  # fmt: skip

    @property
    def book_mb_an_hour(self) -> float:
        return slope(list(zip(self.shop_h, self.book_mb, strict=True)))

    @property
    def good(self) -> bool:
        return self.memory_mb_a_day < MOST_MB_A_DAY and not (self.late or self.tripped or self.secrets)

    def lines(self) -> list[str]:
        return [
            f"{self.shop_h[-1]:.1f} h of the shop at {self.speed:g} times the clock, {self.runs} runs begun, "
            f"tripped: {self.tripped}",
            f"memory {self.memory_mb[0]:.1f} to {self.memory_mb[-1]:.1f} MB, after the first quarter "
            f"{self.memory_mb_a_day:+.2f} MB a day",
            f"{self.ticks:.0f} ticks, {self.late:.0f} later than 100 ms, the worst {self.worst_late_s * 1000:.0f} ms",
            f"the book grows by {self.book_mb_an_hour:.2f} MB an hour with a run and the oil on, "
            f"to {self.book_mb[-1]:.1f} MB",
            f"codes and tokens in the log: {self.secrets}",
        ]


def slope(points: list[tuple[float, float]]) -> float:
    """Of the straight line through the points, least squares."""
    mean_x = sum(x for x, _ in points) / len(points)
    mean_y = sum(y for _, y in points) / len(points)
    return sum((x - mean_x) * (y - mean_y) for x, y in points) / sum((x - mean_x) ** 2 for x, _ in points)


def left_alone(minutes: float, speed: float, directory: Path, every_s: float = 5.0) -> Left:
    """Run the service so long; somebody comes by every ten minutes of the shop, and starts the next run."""
    found = Left(speed)
    # As the unit runs it, which is how it runs for months.
    heap = dict(setting.split("=") for setting in HEAP.split())
    with shop(directory, speed, environment=heap) as running:
        code = running.code()
        token = str(running.client.headers["Authorization"]).removeprefix("Bearer ")
        running.arm()
        process = psutil.Process(running.process.pid)
        began = time.monotonic()
        while (since_s := time.monotonic() - began) < minutes * 60.0:
            _come_by(running, found)
            found.shop_h.append(since_s * speed / 3600.0)
            found.memory_mb.append(process.memory_info().rss / 2**20)
            found.book_mb.append(sum(file.stat().st_size for file in directory.glob("ovenhand.db*")) / 1e6)
            time.sleep(every_s)
        found.ticks, found.late, found.worst_late_s = _figures(running)
        found.tripped |= running.status()["verdict"] == "trip"
        log = (directory / "log").read_text()
        found.secrets = sum(secret in log for secret in (token, code))
    return found


def _come_by(running: ShopProcess, found: Left) -> None:
    """Say that somebody is there, arm again before the twelve hours are over, and keep oven and oil at work."""
    try:
        status = running.status()
        found.tripped |= status["verdict"] == "trip"
        running.press("arm")
        running.post("presence")
        if status["oven"]["phase"] in ("ready", "ended"):
            found.runs += running.post("oven/start", {"program": PROGRAM, "load": LOAD}).status_code == 202
        if status["tank"]["phase"] == "off":
            running.post("tank/preheat")
    except httpx.HTTPError:
        return


def _figures(running: ShopProcess) -> tuple[float, ...]:
    text = running.client.get("/metrics").text
    names = ("ticks_total", "late_ticks_total", "worst_lateness_seconds")
    return tuple(_figure(text, name) for name in names)


def _figure(text: str, name: str) -> float:
    found = re.search(rf"^ovenhand_{name} (\S+)$", text, re.MULTILINE)
    assert found, f"no {name} in:\n{text}"
    return float(found[1])


def main() -> int:
    """0: memory stands still, no tick was late, nothing tripped, no secret in the log."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 72.0
    speed = float(sys.argv[2]) if len(sys.argv) > 2 else 20.0
    with tempfile.TemporaryDirectory() as place:
        found = left_alone(minutes, speed, Path(place))
    print("\n".join(found.lines()))
    return 0 if found.good else 1


if __name__ == "__main__":
    sys.exit(main())
