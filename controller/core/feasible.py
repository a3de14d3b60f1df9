"""Whether a program can be started on this oven: every reason against it at once, and what a start would bring."""

from __future__ import annotations

from math import isfinite
from typing import Final

from controller.core import forecast as forecasts
from controller.core import program as programs
from controller.core.facts import Facts
from controller.core.limits import Limits
from controller.model import Forecast, LoadItem, Program, Reason

HOTTER_AT_START_K: Final = 15.0


def refusals(
    program: Program, load: tuple[LoadItem, ...], limits: Limits, facts: Facts, run_on: int | None
) -> list[Reason]:
    """Everything that speaks against starting this program now, beyond the interlocks.

    `run_on`: the number of the run that is on; None while the oven is free.
    """
    reasons: list[Reason] = []
    if not limits.oven:
        return [Reason("no_oven", "The shop file has no [oven], so there is nothing to start.")]
    if run_on is not None:
        reasons.append(Reason("run_on", f"Run {run_on} is on. Stop it first."))
    if not 1 <= len(program.tempers) <= programs.MOST_TEMPERS:
        return [*reasons, Reason("tempers", f"A program has 1 to {programs.MOST_TEMPERS} tempers.")]
    if not programs.usable_load(load):
        reasons.append(Reason("load_invalid", "Each piece needs a mass and a thickness above 0."))
    one_sensor = not facts.fitted & 2
    highest_c = limits.setpoint_max_c(one_sensor)
    for number, temper in enumerate(program.tempers, start=1):
        t_c = temper.temperature_c
        if not programs.usable(temper):
            reasons.append(
                Reason("temper_invalid", f"Temper {number} has no usable temperature, soak, ramp, band or cool.")
            )
        elif t_c > highest_c:
            why = "with one oven sensor only" if one_sensor else "in this oven"
            reasons.append(
                Reason("too_hot", f"Temper {number} asks {t_c:g} °C; the highest {why} is {highest_c:g} °C.")
            )
        elif limits.boost_c(t_c) < 0.0:
            reasons.append(
                Reason("limit_too_low", f"Temper {number} asks {t_c:g} °C, too near the oven's limit of "
                       f"{limits.oven_limit_c:g} °C. {limits.oven_limit_c - 15:g} °C is possible.")
            )  # fmt: skip
    if any(reason.code in ("temper_invalid", "load_invalid") for reason in reasons):
        return reasons
    if program.tempers and facts.oven_c > program.tempers[0].temperature_c + HOTTER_AT_START_K:
        reasons.append(Reason("oven_hot", _wait_text(facts.oven_c, program.tempers[0].temperature_c)))
    if forecasts.forecast(program, load, limits, facts.part_c if isfinite(facts.part_c) else None).too_long:
        reasons.append(Reason("too_long", "This program would take longer than 11 h. Divide it into two runs."))
    return reasons


def forecast(
    program: Program, load: tuple[LoadItem, ...], limits: Limits, part_c: float | None
) -> Forecast | None:
    """What a start with the sensor on the steel at part_c (None: no such sensor) would bring, °C and s; None
    without an oven or with numbers that give none. Reads nothing that changes: safe from any thread."""
    usable = 0 < len(program.tempers) <= programs.MOST_TEMPERS and all(map(programs.usable, program.tempers))
    if not (limits.oven and usable and programs.usable_load(load)):
        return None
    return forecasts.forecast(program, load, limits, part_c)


def _wait_text(now_c: float, first_c: float) -> str:
    minutes = max(5, round((now_c - first_c - HOTTER_AT_START_K) / 2.0))
    return (
        f"The oven is at {now_c:.0f} °C, more than 15 °C above the first temper. "
        f"Open the door and wait about {minutes} min."
    )
