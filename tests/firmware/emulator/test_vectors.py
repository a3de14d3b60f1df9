"""Every case of `firmware_notes/vectors.csv` on the release binary."""

from __future__ import annotations

import pytest

from tests.firmware.emulator.vectors import Player, cases

CASES = cases()


def test_there_are_cases() -> None:
    assert len(CASES) >= 24


@pytest.mark.parametrize("case", CASES)
def test_the_firmware_answers_as_the_vectors_say(case: str) -> None:
    assert Player(CASES[case]).play() == []
