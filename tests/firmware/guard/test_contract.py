"""The numbered rules of the board: each names tests, and those exist."""

from __future__ import annotations

import re
from pathlib import Path

from tests.firmware.make_notes import NOTES

FIRMWARE_TESTS = Path(__file__).parents[1]


def rows() -> list[tuple[str, str, str]]:
    text = (NOTES / "contract.md").read_text()
    return re.findall(r"^\| (B\d+) \| (.+?) \| (.+?) \|$", text, re.MULTILINE)


def test_the_rules_are_numbered_without_a_gap() -> None:
    assert [number for number, _, _ in rows()] == [f"B{place}" for place in range(1, len(rows()) + 1)]
    assert len(rows()) >= 30


def test_every_named_test_exists() -> None:
    text = "\n".join(path.read_text() for path in FIRMWARE_TESTS.rglob("test_*.py"))
    there = set(re.findall(r"^def (test_\w+)\(", text, re.MULTILINE))
    for number, _, shown in rows():
        names = re.findall(r"`(test_\w+)`", shown)
        assert names, number
        assert set(names) <= there, number
