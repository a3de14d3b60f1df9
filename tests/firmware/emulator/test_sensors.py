"""Every fault of every sensor and a dead SPI on the release binary, the host silent or still commanding heat."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.firmware.emulator.machine import CYCLES_A_MS
from tests.firmware.emulator.rig import Bench, on_after_ms

OFF_MS = 260
"""A sample every 200 ms, and what reading five chips takes in the emulator."""
LETTERS = {31855: "OGVX", 31856: "OVRX", 6675: "OX"}
TRIP = {0: 4, 1: 4, 2: 8, 3: 8}


@pytest.fixture(scope="module", params=[31855, 31856, 6675])
def heating(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """Both zones heat; one board for each chip."""
    with Bench(chip=request.param) as bench:
        yield bench.heated(1000, 1000)


def seen(bench: Bench) -> dict[str, Any]:
    return bench.telemetry()


@pytest.mark.parametrize("commanding", [True, False])
@pytest.mark.parametrize("place", range(5))
def test_a_bad_sensor_takes_its_zones_heat_at_once_and_trips(heating: Bench, place: int, commanding: bool) -> None:
    board = heating.board
    for letter in LETTERS[board.chip]:
        with heating.branch():
            heating.send_duty(1000, 1000)
            heating.pass_ms(60)
            began = board.cycle
            heating.faults[place] = letter
            heating.sense_now()
            for _ in range(16):
                if commanding:
                    heating.send_duty(1000, 1000)
                heating.pass_ms(100)
            telemetry = seen(heating)
            assert str(telemetry["faults"])[place] == letter, (letter, telemetry)
            zone = 1 << place // 2
            if place == 4:
                assert telemetry["trips"] == 0
                assert on_after_ms(board, began, 1) > 1_000
                continue
            assert on_after_ms(board, began, zone) < OFF_MS, letter
            assert telemetry["trips"] == TRIP[place], letter
            assert on_after_ms(board, began, 3) < 800, "a trip takes both zones' heat"


@pytest.mark.parametrize("commanding", [True, False])
@pytest.mark.parametrize("level", [1, 2])
def test_a_dead_bus_takes_all_heat(heating: Bench, level: int, commanding: bool) -> None:
    """The data line stays low, or high: no chip is there."""
    board = heating.board
    with heating.branch():
        heating.send_duty(1000, 1000)
        heating.pass_ms(60)
        began = board.cycle
        board.set_bus(level)
        for _ in range(16):
            if commanding:
                heating.send_duty(1000, 1000)
            board.advance(100)
        assert on_after_ms(board, began) < OFF_MS
        board.transmit()
        for _ in range(10):
            board.advance(100)
        board.transmit()
        assert board.telemetry[9] == "XXXXX"
        assert board.trips & 12


def test_one_disturbed_round_takes_a_windows_heat_and_trips_nothing(heating: Bench) -> None:
    board = heating.board
    with heating.branch():
        heating.send_duty(1000, 1000)
        began = board.cycle
        board.set_bus(2)
        board.advance(252 if board.chip == 6675 else 200)
        heating.sense_now()
        heating.stream(800, 1000, 1000)
        (ended,) = (cycle for cycle, outputs in board.edges if cycle > began and outputs & 3 == 0)
        assert (ended - began) / CYCLES_A_MS < OFF_MS
        heating.stream(1_200, 1000, 1000)
        telemetry = seen(heating)
        assert (telemetry["faults"], telemetry["trips"], telemetry["outputs"]) == ("-----", 0, 7)


def test_over_temperature_is_off_within_600_ms_of_the_sensor_seeing_it(heating: Bench) -> None:
    board = heating.board
    for place, value, trip in ((0, 30_000, 1), (1, 30_100, 1), (2, 10_500, 2), (3, 10_600, 2)):
        with heating.branch():
            heating.send_duty(1000, 1000)
            heating.pass_ms(130)
            began = board.cycle
            heating.values[place] = value
            heating.sense_now()
            heating.stream(1_200, 1000, 1000)
            assert on_after_ms(board, began) < 600 + 20, place
            telemetry = seen(heating)
            assert telemetry["trips"] == trip, (place, telemetry)


def test_a_max31856_that_forgot_its_settings_is_no_good_reading() -> None:
    """Its supply dipped: it stands idle, with its open test off, and reads 0 °C for ever."""
    with Bench(chip=31856) as bench:
        bench.heated()
        board = bench.board
        began = board.cycle
        for place in range(5):
            board.machine.restart_chip(place)
        bench.stream(400, 1000)
        assert on_after_ms(board, began) < OFF_MS
        bench.pass_ms(1_000)
        telemetry = seen(bench)
        assert telemetry["trips"] in (0, 4, 12)


@pytest.mark.parametrize("chip", [31855, 31856, 6675])
def test_values_come_through_the_chips_unchanged(chip: int) -> None:
    """Over the scale of an oven and beyond, and the cold junction."""
    with Bench(chip=chip) as bench:
        bench.until(3_000)
        low = 25 if chip == 6675 else -2_000  # a MAX6675's word for 0 °C is all zeros, as from no chip at all
        for value in (low, 25, 2_000, 9_975, 20_050, 31_000, 65_000, 102_300):
            bench.values = [value, value + 25, value + 50, value + 75, value]
            bench.cold = 2_150
            bench.pass_ms(700)
            telemetry = seen(bench)
            heard = [telemetry[name] for name in ("oven", "oven_limit", "tank", "tank_limit", "part")]
            assert telemetry["faults"] == "-----"
            assert [abs(int(str(a)) - b) <= 1 for a, b in zip(heard, bench.values, strict=True)] == [True] * 5, heard
            assert telemetry["cold"] == (0 if chip == 6675 else 2_150)
        assert bench.board.cycle / CYCLES_A_MS < 60_000
