"""Temper colours: a note with its spread, never an input; no kinetic law is behind it."""

from __future__ import annotations

from typing import Final

COLOURS: Final[tuple[tuple[str, tuple[float, ...]], ...]] = (
    ("faint yellow", (176.0,)),
    ("straw", (205.0, 226.0, 220.0)),
    ("brown", (260.0, 240.0)),
    ("purple", (282.0, 260.0)),
    ("dark blue", (310.0, 300.0)),
    ("light blue", (337.0,)),
    ("grey", (371.0, 340.0)),
)
"""°C on carbon steel after minutes: two published tables, which differ by up to 22 °C."""
COLOUR_ERROR_K: Final = 25.0
LONG_S: Final = 1800.0


def colour_note(temperature_c: float, time_s: float, *, alloyed: bool = False) -> str:
    """The colour to expect, as a note; never an input, and no kinetic law is behind it."""
    if not 170.0 <= temperature_c <= 380.0:
        return "No temper colour is to be expected there." if temperature_c < 170.0 else "Past the colours: grey."

    def middle(values: tuple[float, ...]) -> float:
        return sum(values) / len(values)

    names = [name for name, values in COLOURS if abs(middle(values) - temperature_c) <= COLOUR_ERROR_K]
    said = f"{names[0]} to {names[-1]}" if len(names) > 1 else names[0]
    text = f"Colour on bright carbon steel after minutes: {said} (±{COLOUR_ERROR_K:g} °C, two published tables differ)."
    if time_s >= LONG_S:
        text += " After an hour or two in an oven it runs on: brown, purple or blue, 30 to 60 °C too hot by the look."
    if 250.0 <= temperature_c <= 265.0 and time_s >= LONG_S:
        text += " Straw to first blue is usual then (common practice)."
    if alloyed:
        text += " Alloyed steel colours later: hotter than it looks."
    return text
