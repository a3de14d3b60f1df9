"""Uses, colours and reddening: windows marked as practice, notes with their spread, a sentence instead of a number."""

from __future__ import annotations

import pytest

from controller.metallurgy.colours import COLOURS, colour_note
from controller.metallurgy.uses import PRACTICE, USES, judged, reddening, uses, window


def test_every_window_has_its_source_and_its_file() -> None:
    assert {"struck tool", "drift", "cold chisel", "hot chisel", "hammer face", "spring", "knife"} <= set(USES)
    for use in USES.values():
        assert 20.0 <= use.low_hrc < use.high_hrc <= 68.0
        assert use.source == PRACTICE
        assert "ile" in use.file_text
    assert len(uses()) == len(USES)


def test_a_struck_tool_that_a_file_cuts_with_difficulty_is_right() -> None:
    assert judged(window("struck tool"), 50.0, 55.0).startswith("Right")
    assert "with difficulty" in judged(window("struck tool"), 50.0, 55.0)
    assert judged(window("struck tool"), 45.0, 60.0).startswith("May be right")


def test_too_hard_and_too_soft_say_what_to_do() -> None:
    assert "chips" in judged(window("struck tool"), 60.0, None)
    assert "temper hotter" in judged(window("struck tool"), 60.0, None)
    assert "harden it again" in judged(window("struck tool"), None, 40.0)
    assert "chips" not in judged(window("spring"), 60.0, 65.0)
    assert judged(window("knife"), 40.0, None).startswith("May be right")


def test_an_unknown_use_is_told() -> None:
    with pytest.raises(ValueError, match="struck tool"):
        window("spoon")


def test_a_minute_at_650_is_an_hour_near_570() -> None:
    # Hollomon and Jaffe, C = 20: 923.15 (20 - 1.778) = 16821, / 20 - 273.15 = 568 °C (by hand).
    assert "an hour near 570 °C" in reddening()
    assert "a minute at 650 °C" in reddening()


def test_colours_come_with_their_spread_and_their_drift() -> None:
    """Straw to first blue near a 260 °C oven temper, ±25 °C (two published tables; the drift with time published)."""
    note = colour_note(260.0, 3600.0)
    assert "±25 °C" in note
    assert "brown" in note
    assert "too hot by the look" in note
    assert "Straw to first blue" in note
    short = colour_note(226.0, 120.0)
    assert "straw" in short
    assert "runs on" not in short
    assert "later" in colour_note(226.0, 120.0, alloyed=True)
    assert "No temper colour" in colour_note(120.0, 3600.0)
    assert "grey" in colour_note(450.0, 3600.0)


@pytest.mark.parametrize(
    ("temperature_c", "colour"),
    # Two published tables (carbon steel, short time), 25 °C.
    [(226, "straw"), (260, "brown"), (310, "dark blue"), (337, "light blue"), (371, "grey")],
)
def test_colours_of_the_published_tables(temperature_c: float, colour: str) -> None:
    assert any(abs(value - temperature_c) <= 25.0 for name, values in COLOURS for value in values if name == colour)
    assert colour in colour_note(temperature_c, 120.0)


def test_struck_tools_of_shock_steel_are_left_harder_and_hot_ones_are_not() -> None:
    # Drifts and punches of shock steel tempered at 230 to 260 °C: common practice, no source.
    assert window("struck tool", "shock").high_hrc == window("struck tool").high_hrc + 3.0
    assert window("hot chisel", "shock") == window("hot chisel")
    assert window("knife", "shock") == window("knife")
