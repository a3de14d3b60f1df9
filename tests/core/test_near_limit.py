"""Near its limit the oven gets less: what the hotter sensor leaves, and nothing where it is not known."""

from __future__ import annotations

from math import nan

import pytest

from tests.core.rig import Rig


@pytest.mark.parametrize(
    ("before_c", "hot_c", "room"),
    [
        (200.0, 200.0, 1.0),
        (288.0, 288.0, 0.6),
        (294.0, 294.0, 0.0),
        (299.0, 299.0, 0.0),
        # Rising by 2 K a second, 16 K lie ahead; falling, nothing is gained by it.
        (268.0, 270.0, 0.8),
        (276.0, 278.0, 0.0),
        (290.0, 288.0, 0.6),
        (288.0, nan, 0.0),
        (nan, 288.0, 0.6),
    ],
)
def test_the_hotter_sensor_leaves_a_share_of_full_power(before_c: float, hot_c: float, room: float) -> None:
    rig = Rig()
    oven, facts = rig.core.oven, rig.core.facts
    facts.oven_max_c = before_c
    oven._room(facts, 1.0)
    facts.oven_max_c = hot_c
    assert oven._room(facts, 1.0) == pytest.approx(room)
