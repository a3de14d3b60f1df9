"""Hardenability: ideal diameter by ASTM A255, severity of quenches, and the bar that hardens (Grossmann).

Ideal diameter: ASTM A255 (Grossmann, Trans. AIME 150 (1942) 227), published transcription, grain 7; error 15 to 20 %
(from memory). The bar: Grossmann's own rule, that two rounds harden alike at the centre where the centre takes
as long to fall by half, solved exactly instead of read from his chart. Hard means half martensite at the centre.
"""

from __future__ import annotations

from math import exp, log, sqrt
from typing import Final, Literal

from controller.metallurgy.conduction import half_temperature_fo
from controller.metallurgy.steel import Elements

Medium = Literal["air", "oil", "water", "brine"]
Result = Literal["through", "shell", "not"]
MEDIA: Final[tuple[Medium, ...]] = ("air", "oil", "water", "brine")
"""From the mildest to the harshest."""
SEVERITY_PER_IN: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "air": {"none": (0.02, 0.02), "strong": (0.05, 0.05)},
    "oil": {"none": (0.25, 0.30), "mild": (0.30, 0.35), "moderate": (0.35, 0.40), "good": (0.40, 0.50),
            "strong": (0.50, 0.80), "violent": (0.80, 1.10)},
    "water": {"none": (0.9, 1.0), "mild": (1.0, 1.1), "moderate": (1.2, 1.3), "good": (1.4, 1.5), "strong": (1.6, 2.0),
              "violent": (4.0, 4.0)},
    "brine": {"none": (2.0, 2.0), "mild": (2.0, 2.2), "violent": (5.0, 5.0)},
}  # fmt: skip
"""Grossmann's H = h / 2k, 1/in (still and violent published, the rest and air from memory)."""
IDEAL_FO: Final = 0.20052
"""Fo of half temperature at the centre of a round in an ideal quench."""
INCH_MM: Final = 25.4
ERROR: Final = 0.2
FLAT: Final = 1.45
"""A plate hardens like a round of 1.4 to 1.5 times its thickness (from memory)."""
FULL: Final = 1.4
"""Ideal diameter by which it must be larger for about 90 % martensite, file hard (1.3 to 1.5, from memory)."""
_MOST: Final = (("c", 0.90), ("mn", 1.95), ("si", 2.0), ("ni", 3.5), ("cr", 2.5), ("mo", 0.55), ("cu", 0.55),
                ("v", 0.2), ("w", 0.1))  # fmt: skip


def carbon_base_in(carbon: float) -> float:
    """A255's base ideal diameter at grain 7, in; to 0.9 % C."""
    c = carbon
    if c <= 0.39:
        return 0.54 * c
    if c <= 0.55:
        return 0.171 + 0.001 * c + 0.265 * c * c
    if c <= 0.65:
        return 0.115 + 0.268 * c - 0.038 * c * c
    if c <= 0.75:
        return 0.143 + 0.2 * c
    return 0.062 + 0.409 * c - 0.135 * c * c


def factor(element: str, percent: float) -> float:
    """A255's multiplying factor of an element."""
    x = percent
    if element == "mn":
        return 1.0 + 3.3333 * x if x <= 1.2 else 5.10 * x - 1.12
    if element == "ni":
        return 1.0 + 0.363 * x if x <= 1.5 else 0.3211 + 1.4501 * x - 0.6119 * x * x + 0.1253 * x * x * x
    return 1.0 + {"si": 0.7, "cr": 2.16, "mo": 3.0, "cu": 0.365, "v": 1.73}[element] * x


def refusal(elements: Elements, family: str = "") -> str:
    """Why A255 gives no ideal diameter; empty where it does."""
    if family in {"water", "oil", "air", "shock"}:
        return "ASTM A255 does not hold for tool steels and steels with undissolved carbide."
    if elements.b > 0.0003:
        return "Boron steel hardens deeper by a factor of its own, which is not known here."
    for name, most in _MOST:
        if getattr(elements, name) > most:
            return f"ASTM A255 reaches to {most:g} % {name.capitalize()}; this steel has {getattr(elements, name):g} %."
    return ""


def ideal_diameter_mm(elements: Elements) -> float:
    """DI for grain 7, mm, without asking whether A255 reaches there (`refusal` says)."""
    di_in = carbon_base_in(elements.c)
    for name in ("mn", "si", "ni", "cr", "mo", "cu", "v"):
        di_in *= factor(name, getattr(elements, name))
    return di_in * INCH_MM


def severity_per_in(medium: str, agitation: str = "") -> float:
    """The middle of Grossmann's H; without agitation named, a piece that is kept moving by hand."""
    known = SEVERITY_PER_IN[medium]
    usual = {"air": "none", "oil": "moderate", "water": "moderate", "brine": "mild"}[medium]
    low, high = known.get(agitation) or known[usual]
    return (low + high) / 2.0


def required_ideal_mm(bar_mm: float, h_per_in: float, *, surface: bool = False) -> float:
    """The ideal diameter that a steel needs so that this round hardens to its centre (or only at its surface), mm."""
    bar_in = bar_mm / INCH_MM
    return bar_mm * sqrt(half_temperature_fo(h_per_in * bar_in, surface=surface) / IDEAL_FO)


def critical_diameter_mm(ideal_mm: float, h_per_in: float) -> float:
    """The thickest round that hardens to its centre, mm: the exact rule solved by secants, nearly straight in logs."""
    wanted = log(ideal_mm)
    # Mild quenches: required is about sqrt(3.5 bar / H in inches); hard ones: the bar itself.
    inches = ideal_mm / INCH_MM
    x = log(INCH_MM * inches * inches * h_per_in / (3.0 + inches * h_per_in))
    y = log(required_ideal_mm(exp(x), h_per_in)) - wanted
    before_x, before_y = x, y
    x -= 1.3 * y
    for _ in range(60):
        y = log(required_ideal_mm(exp(x), h_per_in)) - wanted
        if abs(y) < 1e-9 or y == before_y:
            break
        step = y * (x - before_x) / (y - before_y)
        before_x, before_y = x, y
        x -= max(-2.0, min(step, 2.0))
    return exp(x)


def result(bar_mm: float, ideal_mm: float, h_per_in: float) -> Result:
    """Whether this round hardens through, as a shell, or not at all: the same rule at the centre and at the surface."""
    if required_ideal_mm(bar_mm, h_per_in) <= ideal_mm:
        return "through"
    # The rule is rougher at the surface, and DI has its error: what may harden there is called a shell.
    return "shell" if required_ideal_mm(bar_mm, h_per_in, surface=True) <= ideal_mm * (1.0 + ERROR) else "not"
