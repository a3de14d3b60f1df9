"""The same tape of operations on the board twin and on the firmware in the emulated chip: the same answers, trips,
inputs, outputs."""

from __future__ import annotations

import pytest

from tests.firmware.emulator.tape import play, play_written
from tests.firmware.guard.test_agreement import WRITTEN

EVERYTHING_BUT_CURRENT = 2047 & ~96
TAPES = [(1, 31), (2, 31), (3, EVERYTHING_BUT_CURRENT), (4, EVERYTHING_BUT_CURRENT)]


@pytest.mark.parametrize(("seed", "fitted"), TAPES)
def test_twin_and_firmware_agree(seed: int, fitted: int) -> None:
    pair = play(seed, 120, fitted)
    print(f"seed {seed}: {len(pair.log)} operations, {len(pair.frames[1])} telemetry frames compared")
    assert not pair.differences, (seed, pair.log[-6:], pair.differences[:5])
    assert len(pair.log) == 120


HOURS = {"fifteen minutes", "two hours at work", "half an hour of noise", "warm oil stirs on"}
"""These take minutes in the emulator; the study plays them."""


@pytest.mark.parametrize("fitted", [2047, 31, 3])
@pytest.mark.parametrize("name", [name for name in WRITTEN if name not in HOURS])
def test_firmware_and_twin_agree_on_the_guards_written_tapes(name: str, fitted: int) -> None:
    """The tapes that guard.c, compiled for this machine, and the model of the rules agree on with the twin."""
    pair = play_written(WRITTEN[name], fitted)
    print(f"{name}, fitted {fitted}: {len(pair.frames[1])} telemetry frames compared")
    assert not pair.differences, pair.differences[:5]
    assert len(pair.frames[1]) > 20
