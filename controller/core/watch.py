"""Once a second: the facts that need a memory, of how the oven and the oil answer to what is done to them.

A rule that does not arise now is NEVER; one that cannot be judged for want of a reading is NaN only where
the reading itself is what the rule is about, because the sensor rows already withhold for a missing one.
"""

from __future__ import annotations

from typing import Final

from controller.core.facts import UNKNOWN, Facts

WATCHED: Final = (
    "asked_applied_oven", "asked_applied_tank", "oil_step", "oil_still_rising", "oven_disagree_k", "oven_fall_asked",
    "oven_fall_k", "oven_fall_unanswered", "oven_frozen_s", "oven_no_rise_k", "oven_over_rising_k",
    "oven_rising_off_k", "quench_forecast_c", "tank_apart_k", "tank_fall_k", "tank_frozen_s", "tank_hot_c",
    "tank_no_rise", "tank_rising_off_k", "tank_unmoved",
)  # fmt: skip
"""The facts that are looked at once a second, and only while the board is heard."""


def unheard(facts: Facts) -> None:
    """While the board is silent none of them is known: a row that bears minutes bears no reading from before."""
    for name in WATCHED:
        setattr(facts, name, UNKNOWN)
