"""A trip that was stored under another shop file: the hold of reset lets it go where its cause cannot be."""

from __future__ import annotations

import pytest

from tests.core.rig import Rig, limits


@pytest.mark.parametrize(("heater_w", "let_go"), [(0.0, True), (1000.0, False)])
def test_a_tank_without_a_heater_has_no_relay_that_sticks(heater_w: float, let_go: bool) -> None:
    """With a heater it takes minutes to see that the oil does not rise by itself; without one it is known at once."""
    rig = Rig(limits(heater_w=heater_w), state={"latched": ["tank_rising_off"]})
    rig.run(10.0)
    rig.shop.press("reset", held_s=2.5)
    rig.run(4.0)
    assert ("trip_reset" in rig.kinds()) is let_go
    assert ("tank_rising_off" in rig.core.interlocks.latched) is not let_go
