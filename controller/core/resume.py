"""A run as plain data and back, so that it can go on after a restart with the temper it has already had."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from math import inf
from typing import Any, Final

from controller.core.program import MOST_TEMPERS, Run, TemperDone, usable, usable_load
from controller.metallurgy.tempering import TemperTrace
from controller.model import LoadItem, Program, Temper

OFFERED_S: Final = 24.0 * 3600.0
# Far more than the hottest oven can do for the coldest temper (some 1e20 s); beyond it the powers of ten run out.
MOST_EQUIVALENT_S: Final = 1e25


def aged(state: Mapping[str, Any] | None, gap_s: float | None) -> Mapping[str, Any] | None:
    """A core's state as it is after `gap_s` of wall time without a process (None: not known, and not counted).

    The run is so much longer away, and the oil has stood for so much longer.
    """
    if not state or gap_s is None:
        return state
    gap_s = max(0.0, gap_s)
    older = dict(state)
    run, tank = state.get("run"), state.get("tank")
    if run and not unusable(run):
        older["run"] = {**run, "away_s": float(run.get("away_s", 0.0)) + gap_s}
    if isinstance(tank, Mapping) and isinstance(tank.get("rested_s"), (int, float)):
        older["tank"] = {**tank, "rested_s": tank["rested_s"] + gap_s}
    return older


def unusable(state: object) -> bool:
    """Whether the state of a run is damaged: not all of what `run_to_state` wrote, or with numbers that no run has."""
    if not isinstance(state, Mapping):
        return True
    try:
        away_s = float(state.get("away_s", 0.0))
        return not (_span_of_time(away_s) and _whole(run_from_state(state)))
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
        return True


def _whole(run: Run) -> bool:
    """Whether a run that was read back can go on: every number is one that can be worked with."""
    program, done = run.program, run.done
    peaks = [peak for one in done for peak in (one.part_peak_c, one.air_peak_c) if peak is not None]
    return (
        isinstance(program.name, str)
        and 1 <= len(program.tempers) <= MOST_TEMPERS
        and all(map(usable, program.tempers))
        and all(temper.prompt is None or isinstance(temper.prompt, str) for temper in program.tempers)
        and usable_load(run.load)
        and 0 <= run.index < len(program.tempers)
        and all(map(_span_of_time, (run.forecast_s, run.ran_s, run.lost_s, *(one.soak_done_s for one in done))))
        # No soak is longer than the run that it is in.
        and sum(one.soak_done_s for one in done) <= run.ran_s + 1.0
        and all(0.0 <= one.trace.equivalent_s <= MOST_EQUIVALENT_S for one in done)
        and all(-100.0 < peak < 2000.0 for peak in peaks)
    )


def _span_of_time(seconds: float) -> bool:
    return 0.0 <= seconds < inf


def offer_text(state: Mapping[str, Any], away_s: float) -> str:
    """What is offered: how long the run stood, and what its steel has had, by tempering parameter, not by the clock.

    Whatever is stored, a sentence comes of it.
    """
    text = f"Run {state.get('run_id')} was cut off and can go on."
    if away_s >= 60.0:
        text += f" It has stood for {_span(away_s)}."
    for number, equivalent_s in enumerate((done["equivalent_s"] for done in state["done"]), start=1):
        if 1.0 <= equivalent_s < 1e7:
            text += f" Temper {number} has done what {_span(equivalent_s)} at its temperature would."
    return text


def _span(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    if minutes < 1:
        return "less than a minute"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"


def run_to_state(run: Run, phase: str) -> dict[str, Any]:
    """Everything that a resumed run needs; numbers, strings, lists and dicts only."""
    return {
        "run_id": run.run_id,
        "phase": phase,
        "program": asdict(run.program),
        "load": [asdict(item) for item in run.load],
        "who": run.who,
        "index": run.index,
        "forecast_s": run.forecast_s,
        "ran_s": run.ran_s,
        "lost_s": run.lost_s,
        "done": [
            {
                "soak_done_s": done.soak_done_s,
                "part_peak_c": done.part_peak_c,
                "air_peak_c": done.air_peak_c,
                "equivalent_s": done.trace.equivalent_s,
            }
            for done in run.done
        ],
    }


def run_from_state(state: Mapping[str, Any]) -> Run:
    """The run again, of a state that is not `unusable`; anything else raises errors of many kinds."""
    plain = dict(state["program"])
    tempers = tuple(Temper(**temper) for temper in plain.pop("tempers"))
    program = Program(tempers=tempers, **plain)
    load = tuple(LoadItem(**item) for item in state["load"])
    run = Run(int(state["run_id"]), program, load, str(state["who"]), float(state["forecast_s"]))
    run.index = int(state["index"])
    run.ran_s = float(state["ran_s"])
    run.lost_s = float(state["lost_s"])
    run.done = [
        TemperDone(
            soak_done_s=float(done["soak_done_s"]),
            part_peak_c=done["part_peak_c"],
            air_peak_c=done["air_peak_c"],
            trace=TemperTrace(temper.temperature_c, float(done["equivalent_s"])),
        )
        for done, temper in zip(state["done"], tempers, strict=True)
    ]
    return run
