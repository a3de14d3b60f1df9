"""Every single bit of the guard's state, flipped while the oven is too hot: heat is off within 0.6 s all the same."""

from __future__ import annotations

from tests.firmware.guard import flips


def test_no_flipped_bit_keeps_heat_on_over_the_limit() -> None:
    tried, failures = flips.failures()
    print(f"{tried} flips, {len(failures)} left heat on")
    assert tried > 8_000
    assert failures == []
