"""guard.c answers the vectors of the notes as they are printed."""

from __future__ import annotations

import pytest

from tests.firmware import make_notes
from tests.firmware.guard.host import HostBoard


def test_the_guard_gives_the_printed_vectors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(make_notes, "Board", HostBoard)
    monkeypatch.setattr(make_notes, "FIRMWARE", 1)
    assert make_notes.vectors() == (make_notes.NOTES / "vectors.csv").read_text()
