"""A run as plain data and back, so that it can go on after a restart with the temper it has already had."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

from controller.core.program import Run, TemperDone
from controller.metallurgy.tempering import TemperTrace
from controller.model import LoadItem, Program, Temper

OFFERED_S: Final = 24.0 * 3600.0


def aged(state: Mapping[str, Any] | None, gap_s: float | None) -> Mapping[str, Any] | None:
    """A core's state as it is after `gap_s` of wall time without a process (None: not known, and not counted)."""
    run = (state or {}).get("run")
    if not state or not run or gap_s is None:
        return state
    return {**state, "run": {**run, "away_s": float(run.get("away_s", 0.0)) + max(0.0, gap_s)}}


def offer_text(state: Mapping[str, Any], away_s: float) -> str:
    """What is offered: how long the run stood, and what its steel has had, by tempering parameter, not by the clock.

    Whatever is stored, a sentence comes of it: whether the run can really go on is seen when that is asked.
    """
    text = f"Run {state.get('run_id')} was cut off and can go on."
    if away_s >= 60.0:
        text += f" It has stood for {_span(away_s)}."
    try:
        had_s = [float(done["equivalent_s"]) for done in state["done"]]
    except (KeyError, TypeError, ValueError):
        return text
    for number, equivalent_s in enumerate(had_s, start=1):
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
    """The run again. Raises KeyError or TypeError when the data is not what `run_to_state` wrote."""
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
