"""The edges that mutants of the safety files got away with in the other tests of them."""

from __future__ import annotations

from math import isnan, nan

import pytest

from controller.core import gate
from controller.core.interlocks import PERMIT, Verdict
from controller.core.sensing import JUMP_K, JUMP_K_PER_S, Sensor, _bad, _highest
from controller.model import BoardLimits
from tests.core.rig import limits

CHIP = 31856


def sensor(value_c: float, fault: str = "-") -> Sensor:
    made = Sensor("K", True)
    made.fitted, made.fault, made.value_c = fault != "N", fault, value_c
    return made


@pytest.mark.parametrize(
    ("control_c", "limit_c", "right_c"), [(200.0, 250.0, 250.0), (250.0, 200.0, 250.0), (200.0, 200.0, 200.0)]
)
def test_the_hotter_of_two_sensors_counts(control_c: float, limit_c: float, right_c: float) -> None:
    assert _highest(sensor(control_c), sensor(limit_c), 300.0) == right_c


def test_one_untrusted_sensor_leaves_the_highest_unknown() -> None:
    for trip_c in (300.0, None):
        assert isnan(_highest(sensor(nan), sensor(200.0), trip_c))
        assert isnan(_highest(sensor(200.0), sensor(nan), trip_c))
        assert _highest(sensor(200.0), sensor(nan, "N"), trip_c) == 200.0


def test_at_the_trip_one_trusted_sensor_is_enough() -> None:
    assert _highest(sensor(nan), sensor(300.0), 300.0) == 300.0
    assert _highest(sensor(300.0), sensor(nan), 300.0) == 300.0
    assert isnan(_highest(sensor(nan), sensor(299.99), 300.0))
    assert isnan(_highest(sensor(nan), sensor(nan), 300.0))


@pytest.mark.parametrize("letter", ["O", "G", "V", "R", "X"])
def test_every_fault_letter_of_either_sensor_is_bad(letter: str) -> None:
    assert _bad(sensor(nan, letter), sensor(200.0)) == 1.0
    assert _bad(sensor(200.0), sensor(nan, letter)) == 1.0
    assert _bad(sensor(200.0), sensor(nan, "N")) == 0.0
    assert _bad(sensor(nan, "N"), sensor(200.0)) == 1.0


def test_the_room_of_a_jump_belongs_to_it() -> None:
    one = Sensor("K", True)
    one._accepted_c = 100.0
    assert one._follows(100.0 + JUMP_K + JUMP_K_PER_S * 0.25, 0.25)
    assert not one._follows(100.0 + JUMP_K + JUMP_K_PER_S * 0.25 + 0.1, 0.25)


def test_what_is_forgotten_is_forgotten_whole() -> None:
    one = Sensor("K", True)
    one._accepted_c = 100.0
    one._follows(900.0, 0.5)
    one.same_s = one.jump_trip_s = 7.0
    one.forget()
    assert (one._since_accepted_s, one.jump_s, one.jump_trip_s, one.same_s) == (0.0, 0.0, 0.0, 0.0)
    assert isnan(one._accepted_c)


def test_the_gate_hands_the_boards_limits_on() -> None:
    wanted = BoardLimits(30_000, 9_000, 10_000)
    sent = gate.command(
        Verdict(PERMIT, PERMIT, True, False), True, 0.5, 0.0, True,
        contactor=True, sounder=False, agitator=False, work=True, limits=wanted,
    )  # fmt: skip
    assert sent.limits is wanted
    assert sent.oven_duty == 0.5


def test_a_tank_without_a_limit_sends_none() -> None:
    assert limits(tank=False).for_board(CHIP)[1:] == (None, None)
