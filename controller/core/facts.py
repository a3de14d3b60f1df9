"""What is known in this tick, as plain numbers: written by sensing, the watch and the zones, read by the table.

Two values have a meaning of their own. NaN: not known, so every comparison that would permit heat fails.
NEVER (minus infinity): the question does not arise now, so every comparison holds.
"""

from __future__ import annotations

from typing import Final

NEVER: Final = float("-inf")
UNKNOWN: Final = float("nan")


class Facts:
    """One object per core, rewritten in place in every tick. Temperatures °C, differences K, times s."""

    __slots__ = (
        "agitator_still_s",
        "armed",
        "asked_applied_oven",
        "asked_applied_tank",
        "board_silent_s",
        "board_trips",
        "chip_unfit",
        "cold_off_middle_k",
        "cutout_missing",
        "door_open",
        "duty_sum",
        "fitted",
        "incompatible",
        "level_low",
        "level_low_hot",
        "oil_hottest_c",
        "oil_over_times",
        "oil_step",
        "oil_still_rising",
        "oil_unknown",
        "oven_bad",
        "oven_bad_hot",
        "oven_c",
        "oven_disagree_k",
        "oven_fall_asked",
        "oven_fall_k",
        "oven_fall_unanswered",
        "oven_frozen_s",
        "oven_heat_s_ago",
        "oven_hot_k",
        "oven_jump_s",
        "oven_jump_trip_s",
        "oven_limit_c",
        "oven_max_c",
        "oven_no_rise_k",
        "oven_over_k",
        "oven_over_rising_k",
        "oven_over_times",
        "oven_rising_off_k",
        "oven_zone_missing",
        "part_bad",
        "part_c",
        "part_over_k",
        "part_unasked",
        "paused",
        "presence_wanted_s",
        "quench_forecast_c",
        "smoke",
        "stop_open",
        "tank_apart_k",
        "tank_bad",
        "tank_bad_hot",
        "tank_c",
        "tank_fall_k",
        "tank_frozen_s",
        "tank_heat_s_ago",
        "tank_hot_c",
        "tank_limit_c",
        "tank_max_c",
        "tank_no_rise",
        "tank_rising_off_k",
        "tank_unmoved",
        "tank_zone_missing",
        "too_long_s",
    )

    agitator_still_s: float
    armed: bool
    asked_applied_oven: float
    asked_applied_tank: float
    board_silent_s: float
    board_trips: float
    chip_unfit: float
    cold_off_middle_k: float
    cutout_missing: float
    door_open: float
    duty_sum: float
    fitted: int
    incompatible: float
    level_low: float
    level_low_hot: float
    oil_hottest_c: float
    oil_over_times: float
    oil_still_rising: float
    oil_step: float
    oil_unknown: float
    oven_bad: float
    oven_bad_hot: float
    oven_c: float
    oven_disagree_k: float
    oven_fall_asked: float
    oven_fall_k: float
    oven_fall_unanswered: float
    oven_frozen_s: float
    oven_heat_s_ago: float
    oven_hot_k: float
    oven_jump_s: float
    oven_jump_trip_s: float
    oven_limit_c: float
    oven_max_c: float
    oven_no_rise_k: float
    oven_over_k: float
    oven_over_rising_k: float
    oven_over_times: float
    oven_rising_off_k: float
    oven_zone_missing: float
    part_bad: float
    part_c: float
    part_over_k: float
    part_unasked: float
    paused: float
    presence_wanted_s: float
    quench_forecast_c: float
    smoke: float
    stop_open: float
    tank_apart_k: float
    tank_bad: float
    tank_bad_hot: float
    tank_c: float
    tank_fall_k: float
    tank_frozen_s: float
    tank_heat_s_ago: float
    tank_hot_c: float
    tank_limit_c: float
    tank_max_c: float
    tank_no_rise: float
    tank_rising_off_k: float
    tank_unmoved: float
    tank_zone_missing: float
    too_long_s: float

    def __init__(self) -> None:
        for name in self.__slots__:
            setattr(self, name, UNKNOWN)
        self.armed = False
        self.fitted = 0
