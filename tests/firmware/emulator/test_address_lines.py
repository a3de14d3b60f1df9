"""A broken or shorted address line of the decoder never has one sensor read for another, whatever is fitted."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from tests.firmware.emulator.board import OUTPUTS, SELECTS
from tests.firmware.emulator.machine import PinMap
from tests.firmware.emulator.rig import Bench

OVEN_ZONE, TANK_ZONE, PART = 1, 4, 16
EMPTY = ("SELECT_EMPTY_A", "SELECT_EMPTY_B", "SELECT_NONE")
Line = Callable[[int], int]


def single_faults() -> dict[str, Line]:
    """What the decoder is told instead of an address: one line stuck, or two joined, where low or high wins."""
    found: dict[str, Line] = {}
    for line in range(3):
        found[f"A{line} broken"] = lambda address, bit=1 << line: address | bit  # type: ignore[misc]
        found[f"A{line} to ground"] = lambda address, bit=1 << line: address & ~bit  # type: ignore[misc]
    for a, b in itertools.combinations(range(3), 2):
        pair = 1 << a | 1 << b
        found[f"A{a}-A{b}, low wins"] = lambda address, pair=pair: (  # type: ignore[misc]
            address if address & pair == pair else address & ~pair
        )
        found[f"A{a}-A{b}, high wins"] = lambda address, pair=pair: (  # type: ignore[misc]
            address | pair if address & pair else address
        )
    return found


@pytest.mark.parametrize("fitted", [kit for kit in range(32) if kit & (OVEN_ZONE | TANK_ZONE)])
def test_every_single_fault_of_the_lines_is_noticed_or_changes_no_reading(fitted: int) -> None:
    """The table of pins.h, as the preprocessor makes it for this kit."""
    numbers = PinMap(fitted).numbers
    chips = {numbers[SELECTS[sensor]] for sensor in range(5) if fitted >> sensor & 1}
    assert len(chips) == fitted.bit_count(), "two chips at one output"
    empty = {numbers[name] for name in EMPTY}
    if numbers["SELECT_PART"] != numbers["SELECT_EMPTY_C"]:
        empty.add(numbers["SELECT_EMPTY_C"])
    assert not chips & empty
    for name, heard in single_faults().items():
        if any(heard(output) in chips for output in empty):
            continue
        misread = {output: heard(output) for output in chips if heard(output) in chips - {output}}
        assert not misread, name


@pytest.mark.parametrize("fitted", [17, 21, 28, 31])
def test_on_the_emulated_board_a_fault_of_a_line_leaves_no_wrong_reading_and_no_heat(fitted: int) -> None:
    """Each line broken (read from the reset button's pin, pulled up) and to ground (the sounder's, off)."""
    true = [25_000, 26_000, 5_000, 5_500, 10_000]
    names = ("oven", "oven_limit", "tank", "tank_limit", "part")
    for line, stuck in itertools.product(range(3), ("RESET", "SOUNDER")):
        with Bench(fitted=fitted) as bench:
            pins = bench.board.pins
            select = [pins.pins[f"SELECT_{place}"] for place in range(3)]
            bench.values = list(true)
            bench.until(2_000)
            sound = bench.telemetry()
            assert [sound[name] for name in names] == [
                value if fitted >> place & 1 else 0 for place, value in enumerate(true)
            ]
            select[line] = pins.pins[stuck]
            bench.board.machine.watch(pins.mask(*OUTPUTS.values()), bytes(part for pin in select for part in pin))
            bench.pass_ms(500)
            seen = bench.telemetry()
            for place, name in enumerate(names):
                assert seen[name] in (0, true[place]), (line, stuck, seen)
            bench.greet()
            for which, limit in enumerate((30_000, 9_000, 10_500)):
                bench.limit(which, limit)
            bench.press()
            bench.values = [45_000, 45_000, 13_000, 13_000, 10_000]
            for _ in range(12):
                bench.send_duty(1_000 if fitted & OVEN_ZONE else 0, 0 if fitted & OVEN_ZONE else 1_000)
                bench.pass_ms(250)
            assert not bench.board.heating, (line, stuck)
