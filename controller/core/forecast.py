"""How long a run will take, before anything is known of this oven: one forecast for the refusal, the start
dialog, the row about overdue runs and the time that is left.

The air climbs at the slow side of small ovens, the steel follows with its lag; a cool is a fixed guess.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import log
from typing import Final

from controller.core.estimate import DEFAULT_ITEM, ROOM_C, lag_s
from controller.core.limits import Limits
from controller.model import Forecast, LoadItem, Program, Temper

LONGEST_S: Final = 11.0 * 3600.0
COOL_GUESS_S: Final = 45.0 * 60.0
# Full power of a small oven, °C/s (simulated: 0.45..1.3).
AIR_C_PER_S: Final = 0.6
# Nine of ten of 16 drawn ovens and loads (0.1..2 kg, 6..25 mm) stay within these, either way: of a heat-up with a
# sensor on the steel (small steel comes faster, much steel slower), of one by the estimate, of a cool.
MEASURED_ERROR: Final = 0.7
ESTIMATED_ERROR: Final = 0.25
COOL_ERROR: Final = 0.6


def forecast(program: Program, load: tuple[LoadItem, ...], limits: Limits, part_c: float | None) -> Forecast:
    """When the first soak begins and the last one ends, from the start of heat, s, with their error.

    `load`: masses in kg and sections in mm; () means a piece of 20 mm. `part_c`: what the sensor on the steel
    reads, °C; None without one: the steel is then as cold as the room, and gets no boost. The program is one
    whose tempers are `program.usable`.
    """
    boosted = part_c is not None
    first = program.tempers[0]
    start_c = ROOM_C if part_c is None else part_c
    soak_in_s = heat_up_s(first, load, start_c, boost_k(limits, first, boosted))
    ends_in_s = soak_in_s + first.soak_s + after_first_s(program.tempers, load, limits, boosted)
    cools_s = COOL_GUESS_S * (len(program.tempers) - 1)
    heat_ups_s = ends_in_s - cools_s - sum(temper.soak_s for temper in program.tempers)
    share = MEASURED_ERROR if boosted else ESTIMATED_ERROR
    ends_error_s = share * heat_ups_s + COOL_ERROR * cools_s
    return Forecast(soak_in_s, ends_in_s, share * soak_in_s, ends_error_s, ends_in_s > LONGEST_S)


def boost_k(limits: Limits, temper: Temper, boosted: bool) -> float:
    """How far the air goes above this temper, K: only with a sensor on the steel."""
    return max(0.0, limits.boost_c(temper.temperature_c)) if boosted else 0.0


def heat_up_s(temper: Temper, load: tuple[LoadItem, ...], start_c: float, boost_k: float) -> float:
    """From start_c until the part is in band, s: the air's climb, then the part's lag behind it."""
    rise_k = max(0.0, temper.temperature_c - start_c)
    if temper.ramp_c_per_h:
        return rise_k / temper.ramp_c_per_h * 3600.0
    section_mm = max(item.section_mm for item in load or (DEFAULT_ITEM,))
    lag = lag_s(temper.temperature_c, section_mm)
    air_s = rise_k / AIR_C_PER_S
    left_k = rise_k + boost_k
    reach_k = temper.band_c + boost_k
    return air_s + (lag * log(left_k / reach_k) if left_k > reach_k else 0.0)


def after_first_s(tempers: Sequence[Temper], load: tuple[LoadItem, ...], limits: Limits, boosted: bool) -> float:
    """From the end of the first of these soaks to the end of the last, s: cools, heat-ups and soaks."""
    total_s = 0.0
    for before, temper in pairwise(tempers):
        total_s += COOL_GUESS_S + temper.soak_s
        total_s += heat_up_s(temper, load, before.cool_below_c, boost_k(limits, temper, boosted))
    return total_s
