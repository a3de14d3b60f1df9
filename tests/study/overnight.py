"""A double temper over a night in simulated time: memory, stored state and what is remembered stay bounded."""

from __future__ import annotations

import gc
import json
import tracemalloc
from dataclasses import dataclass, field
from typing import Final

from controller.model import LoadItem, Preheat, Presence, Program, Start, Temper
from tests.core.rig import Rig, limits

SAMPLE_S: Final = 1800.0
SETTLED_S: Final = 3600.0
MOST_BYTES_A_DAY: Final = 1_000_000.0


@dataclass
class Night:
    """Bytes in use at times, s; the slope is that of the straight line through them after the first hour."""

    simulated_s: float = 0.0
    at_s: list[float] = field(default_factory=list)
    used_bytes: list[int] = field(default_factory=list)
    state_bytes: int = 0
    phase: str = ""
    tripped: list[str] = field(default_factory=list)

    @property
    def bytes_a_day(self) -> float:
        points = [(t, b) for t, b in zip(self.at_s, self.used_bytes, strict=True) if t >= SETTLED_S]
        mean_t = sum(t for t, _ in points) / len(points)
        mean_b = sum(b for _, b in points) / len(points)
        spread = sum((t - mean_t) ** 2 for t, _ in points)
        return sum((t - mean_t) * (b - mean_b) for t, b in points) / spread * 86_400.0

    @property
    def bounded(self) -> bool:
        return self.bytes_a_day < MOST_BYTES_A_DAY and self.state_bytes < 10_000 and not self.tripped

    def lines(self) -> list[str]:
        return [
            f"{self.simulated_s / 3600.0:.1f} simulated hours of a double temper and warm oil: {self.phase}, tripped "
            f"{self.tripped}; Python's memory {self.bytes_a_day / 1000.0:+.1f} kB a day after the first hour; stored "
            f"state at most {self.state_bytes} bytes"
        ]


def night(hours: float = 10.0, soak_s: float = 3.5 * 3600.0) -> Night:
    """Two soaks, a cool between, the oil warm and minded for the first two hours."""
    load = (LoadItem(0.5, 12.0),)
    rig = Rig(limits(), load=load)
    rig.arm()
    rig.tick(Start(Program("night", (Temper(205.0, soak_s), Temper(205.0, soak_s))), load))
    rig.tick(Preheat(50.0))
    found = Night()
    tracemalloc.start()
    try:
        while rig.now_s < hours * 3600.0:
            rig.run(SAMPLE_S)
            # What the rig itself keeps for its tests is no part of the program.
            found.tripped += rig.tripped()
            rig.events.clear()
            if rig.now_s < 7200.0:
                rig.tick(Presence())
            gc.collect()
            found.at_s.append(rig.now_s)
            found.used_bytes.append(tracemalloc.get_traced_memory()[0])
            found.state_bytes = max(found.state_bytes, len(json.dumps(rig.core.state())))
    finally:
        tracemalloc.stop()
    found.simulated_s, found.phase = rig.now_s, rig.phase()
    return found
