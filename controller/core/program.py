"""The phases of a run, as one table; everything that is not in it is refused.

`withheld` and `waiting_for_arm` remember where they came from: BACK in the table leads there again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from controller.metallurgy.tempering import TemperTrace, equivalent_temperature_c, parameter
from controller.model import LoadItem, Program, Temper

Phase = Literal["ready", "waiting_for_arm", "heat_up", "soak", "cool", "prompt", "withheld", "ended", "tripped"]
Cause = Literal[
    "start", "armed", "wait_over", "in_band", "soak_done", "last_soak_done", "cooled", "cooled_to_prompt",
    "confirmed", "withhold", "permit", "resume", "stop", "trip", "reset",
]  # fmt: skip
BACK: Final = "back"

TRANSITIONS: Final[Mapping[tuple[Phase, Cause], Phase | Literal["back"]]] = {
    ("ready", "start"): "waiting_for_arm",
    ("ready", "resume"): "waiting_for_arm",
    ("ended", "start"): "waiting_for_arm",
    ("ended", "stop"): "ready",
    ("waiting_for_arm", "armed"): BACK,
    ("waiting_for_arm", "wait_over"): "ready",
    ("waiting_for_arm", "stop"): "ready",
    ("waiting_for_arm", "trip"): "tripped",
    ("heat_up", "in_band"): "soak",
    ("heat_up", "withhold"): "withheld",
    ("heat_up", "stop"): "ready",
    ("heat_up", "trip"): "tripped",
    ("soak", "soak_done"): "cool",
    ("soak", "last_soak_done"): "ended",
    ("soak", "withhold"): "withheld",
    ("soak", "stop"): "ready",
    ("soak", "trip"): "tripped",
    ("cool", "cooled"): "heat_up",
    ("cool", "cooled_to_prompt"): "prompt",
    ("cool", "withhold"): "withheld",
    ("cool", "stop"): "ready",
    ("cool", "trip"): "tripped",
    ("prompt", "confirmed"): "heat_up",
    ("prompt", "withhold"): "withheld",
    ("prompt", "stop"): "ready",
    ("prompt", "trip"): "tripped",
    ("withheld", "permit"): BACK,
    ("withheld", "resume"): "waiting_for_arm",
    ("withheld", "stop"): "ready",
    ("withheld", "trip"): "tripped",
    ("ready", "trip"): "tripped",
    ("ended", "trip"): "tripped",
    ("tripped", "reset"): "ready",
}

# A run is on: it has begun and is neither ended nor tripped.
ACTIVE: Final = frozenset({"heat_up", "soak", "cool", "prompt", "withheld"})
MOST_TEMPERS: Final = 6


def usable(temper: Temper) -> bool:
    """Whether every number of a temper is one that can be worked with; a NaN is not."""
    ramp = temper.ramp_c_per_h
    return (
        60.0 <= temper.temperature_c < 1e4
        and 0.0 < temper.soak_s < 1e9
        and (ramp is None or 0.0 < ramp < 1e6)
        and 0.0 < temper.band_c <= 50.0
        and 0.0 < temper.cool_below_c < 1e4
    )


def usable_load(load: tuple[LoadItem, ...]) -> bool:
    """Whether every piece has a mass in kg and a section in mm that can be worked with."""
    return all(0.0 < item.mass_kg <= 100.0 and 0.0 < item.section_mm <= 500.0 for item in load)


def next_phase(phase: Phase, cause: Cause) -> Phase | Literal["back"]:
    """What follows. Raises KeyError for a pair that is not in the table: a broken promise of our own code."""
    return TRANSITIONS[(phase, cause)]


@dataclass(slots=True)
class TemperDone:
    """What one temper did to the part so far."""

    soak_done_s: float = 0.0
    part_peak_c: float | None = None
    air_peak_c: float | None = None
    trace: TemperTrace = field(default_factory=lambda: TemperTrace(200.0))

    def as_dict(self, temper: Temper) -> dict[str, Any]:
        """Plain data for the record, °C and s."""
        equivalent_s = self.trace.equivalent_s
        equivalent_c = None
        if equivalent_s > 0.0:
            p = parameter(temper.temperature_c, equivalent_s)
            equivalent_c = equivalent_temperature_c(p, temper.soak_s)
        return {
            "temperature_c": temper.temperature_c,
            "soak_s": temper.soak_s,
            "in_band_s": self.soak_done_s,
            "part_peak_c": self.part_peak_c,
            "air_peak_c": self.air_peak_c,
            "equivalent_s": equivalent_s,
            "equivalent_c": equivalent_c,
        }


class Run:
    """One execution of a program: which temper it is at, and what each has done."""

    __slots__ = ("done", "forecast_s", "index", "load", "lost_s", "program", "ramp_c", "ran_s", "run_id", "who")

    def __init__(self, run_id: int, program: Program, load: tuple[LoadItem, ...], who: str, forecast: float) -> None:
        self.run_id = run_id
        self.program = program
        self.load = load
        self.who = who
        self.index = 0
        self.forecast_s = forecast
        self.ran_s = 0.0
        self.lost_s = 0.0
        self.ramp_c: float | None = None
        self.done = [TemperDone(trace=TemperTrace(temper.temperature_c)) for temper in program.tempers]

    @property
    def temper(self) -> Temper:
        return self.program.tempers[self.index]

    @property
    def now(self) -> TemperDone:
        return self.done[self.index]

    @property
    def last(self) -> bool:
        return self.index + 1 == len(self.program.tempers)

    @property
    def hottest_c(self) -> float | None:
        """The hottest that part or air were in this run, °C."""
        peaks = [peak for done in self.done for peak in (done.part_peak_c, done.air_peak_c) if peak is not None]
        return max(peaks, default=None)

    def soaked(self) -> bool:
        """Whether this temper's end condition is reached: time in band, or its tempering parameter."""
        spent_s = self.now.trace.equivalent_s if self.program.until_equivalent else self.now.soak_done_s
        return spent_s >= self.temper.soak_s

    def soak_left_s(self) -> float:
        """Of the present soak, by its own end condition."""
        spent_s = self.now.trace.equivalent_s if self.program.until_equivalent else self.now.soak_done_s
        return max(0.0, self.temper.soak_s - spent_s)

    def results(self) -> list[dict[str, Any]]:
        """Each temper reached so far, as plain data."""
        reached = list(zip(self.done, self.program.tempers, strict=True))[: self.index + 1]
        return [done.as_dict(temper) for done, temper in reached]
