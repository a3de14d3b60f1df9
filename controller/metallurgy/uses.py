"""What hardness a tool wants, what a file should do on it, and what reddening does to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from controller.metallurgy import tempering

PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Use:
    """A window of hardness for a kind of tool, what an ordinary file does on it, and how it is judged."""

    name: str
    low_hrc: float
    high_hrc: float
    file_text: str
    note: str
    source: str = PRACTICE
    struck: bool = False
    reddens: bool = False


_DIFFICULT: Final = "A file cuts it with difficulty: that is right, softer than it skates on."

USES: Final[Mapping[str, Use]] = {
    use.name: use
    for use in (
        Use("struck tool", 48.0, 56.0, _DIFFICULT, "The struck end stays soft, 30 to 45 HRC, and is dressed when it "
            "mushrooms.", struck=True),
        Use("drift", 50.0, 56.0, _DIFFICULT, "Smooth and without nicks; the struck end stays soft.", struck=True),
        Use("cold chisel", 53.0, 59.0, _DIFFICULT, "The edge only: some 30 mm of it hard, the body tough. One hour at "
            "230 °C is a maker's advice for S1 (published data sheet).", struck=True),
        Use("hot chisel", 45.0, 54.0, _DIFFICULT, "It reddens in use: what counts is how it holds up hot, not its "
            "hardness cold.", struck=True, reddens=True),
        Use("hammer face", 50.0, 58.0, _DIFFICULT, "Softer towards the eye; the rim rounded, so that nothing chips "
            "off.", struck=True),
        Use("spring", 42.0, 50.0, "A file cuts it.", "Above the reach of this oven for most steels: 400 °C and more."),
        Use("knife", 57.0, 62.0, "A good file skates on the edge, or bites a little.", "Thin edges; tempered twice."),
    )
}  # fmt: skip
"""Hardness windows differ from shop to shop by some 3 HRC; test your own."""
SHOCK_HARDER_HRC: Final = 3.0
"""So much harder are struck tools of shock steel left: tempered at 230 to 260 °C, as drifts and punches of it are,
they keep 57 to 59 HRC and do not chip (common practice, no source)."""


def window(name: str, family: str = "") -> Use:
    """A use by its name, of a family of steels. Raises ValueError with those that are known."""
    found = USES.get(name.strip().lower())
    if found is None:
        raise ValueError(f'There is no use "{name[:40]}"; known are {", ".join(USES)}.')
    if found.struck and not found.reddens and family == "shock":
        return replace(found, high_hrc=found.high_hrc + SHOCK_HARDER_HRC)
    return found


def uses() -> list[dict[str, Any]]:
    """All of them, in JSON values."""
    return [asdict(use) for use in USES.values()]


def judged(use: Use, low_hrc: float | None, high_hrc: float | None) -> str:
    """What a file's band says of a tool for this use. None: open on that side."""
    if high_hrc is not None and high_hrc < use.low_hrc:
        return f"Too soft for a {use.name} ({use.low_hrc:g} to {use.high_hrc:g} HRC): harden it again."
    if low_hrc is not None and low_hrc > use.high_hrc:
        chips = " A struck tool left hard can throw chips." if use.struck else ""
        return f"Too hard for a {use.name} ({use.low_hrc:g} to {use.high_hrc:g} HRC): temper hotter.{chips}"
    inside = (low_hrc or 0.0) >= use.low_hrc and (high_hrc if high_hrc is not None else 99.0) <= use.high_hrc
    if inside:
        return f"Right for a {use.name} ({use.low_hrc:g} to {use.high_hrc:g} HRC). {use.file_text}"
    return f"May be right for a {use.name} ({use.low_hrc:g} to {use.high_hrc:g} HRC): the test does not tell closer."


def reddening(temperature_c: float = 650.0, time_s: float = 60.0) -> str:
    """What heat in use does to the temper (Hollomon and Jaffe, C = 20): said instead of a hardness."""
    hour_c = tempering.equivalent_temperature_c(tempering.parameter(temperature_c, time_s), 3600.0)
    minutes = "a minute" if time_s == 60.0 else f"{time_s / 60.0:g} min"
    return (
        f"A tool that reddens in use loses its temper: {minutes} at "
        f"{temperature_c:g} °C does what an hour near {round(hour_c, -1):g} °C does. Its hardness before says little; "
        "cool it often, or use a hot-work steel."
    )
