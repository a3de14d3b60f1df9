"""What a tape remembers is thawed for a replay only: nothing in a shop takes limits or latches from it."""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2] / "controller"


@pytest.mark.parametrize(
    ("word", "homes"),
    [
        ("thaw(", {"memory.py", "commands/replay.py"}),
        (".rebind(", {"memory.py"}),
        ("Pump.remembering(", {"commands/replay.py"}),
    ],
)
def test_only_the_replay_thaws(word: str, homes: set[str]) -> None:
    found = {str(file.relative_to(ROOT)) for file in ROOT.rglob("*.py") if word in file.read_text(encoding="utf-8")}
    assert found == homes
