"""The same tape of operations on the board twin and on the firmware in the emulated chip: the same answers, trips,
inputs, outputs."""

from __future__ import annotations

import pytest

from tests.firmware.emulator.tape import play

EVERYTHING_BUT_CURRENT = 2047 & ~96
TAPES = [(1, 31), (2, 31), (3, EVERYTHING_BUT_CURRENT), (4, EVERYTHING_BUT_CURRENT)]


@pytest.mark.parametrize(("seed", "fitted"), TAPES)
def test_twin_and_firmware_agree(seed: int, fitted: int) -> None:
    pair = play(seed, 120, fitted)
    print(f"seed {seed}: {len(pair.log)} operations, {len(pair.frames[1])} telemetry frames compared")
    assert not pair.differences, (seed, pair.log[-6:], pair.differences[:5])
    assert len(pair.log) == 120
