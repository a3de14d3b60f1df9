"""The ladder: what hardens a coupon of unknown stock, the mildest quench first, and what follows from it.

A rung says how hard the coupon came out of one quench. By the coupon's size each rung becomes a bound on the ideal
diameter; the hardest rung guesses the carbon. It gives a class and a guess, never a grade; thin coupons harden in air
where the bar would not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from controller.metallurgy import hardenability as hard
from controller.metallurgy.hardness import as_quenched_hrc, carbon_of_as_quenched
from controller.metallurgy.scales import file_band
from controller.metallurgy.steel import Elements, Steel
from controller.metallurgy.tempered import Known, predict

State = Literal["hard", "partly", "soft"]
ONE_FILE: Final[dict[str, tuple[State, float | None, float | None]]] = {
    "skates": ("hard", 58.0, None),
    "cuts hard": ("partly", 45.0, 60.0),
    "cuts easily": ("soft", None, 45.0),
}
"""An ordinary file, itself about 65 HRC: what it does, the state, and the band in HRC (common practice, no source)."""
SPREAD: Final = (0.8, hard.FULL * 1.2)
"""A hard coupon's ideal diameter is at least 0.8 of the computed one, a soft one's at most this much of it."""
GOOD_COUPON_MM: Final = 10.0
ORIGINS: Final[dict[str, tuple[str, ...]]] = {
    "coil or leaf spring": ("5160", "9260", "6150", "1060", "1075"), "axle": ("1045", "4140", "4340"),
    "drill rod": ("W1", "O1", "A2"), "breaker bit": ("1075", "1080", "S5", "9260"), "file": ("W1", "1095", "W2"),
    "bearing": ("52100",), "large saw blade": ("L6", "1075"), "crowbar": ("1060", "1075", "1080", "1084"),
    "bolt": ("1045", "4140", "4340"), "rail": ("1075", "1080", "1084"), "hot-work die": ("H13",),
    "punch or die": ("A2", "D2", "O1", "S7"), "chisel": ("S1", "S2", "S5", "S7", "1075", "9260"),
}  # fmt: skip
"""What scrap is often made of (common practice, no source): weak evidence, never proof."""


@dataclass(frozen=True, slots=True)
class Rung:
    """One quench of a coupon. Graded files: the hardest that skates, the softest that bites; or what one ordinary
    file does: `skates`, `cuts hard`, or `cuts easily` (as easily as the air-cooled piece)."""

    medium: str
    skates_hrc: float | None = None
    bites_hrc: float | None = None
    one_file: str | None = None


@dataclass(frozen=True, slots=True)
class _Seen:
    medium: hard.Medium
    state: State
    low_hrc: float | None
    high_hrc: float | None
    required_mm: float
    surface_mm: float


def judge_ladder(
    coupon_mm: float, rungs: Sequence[Rung], steels: Sequence[Steel], *, flat: bool = False, origin: str = "",
    spark_carbon: tuple[float, float] | None = None, temper_c: float = 205.0,
) -> dict[str, Any]:  # fmt: skip
    """What the rungs say, in JSON values. Raises ValueError with every fault, one sentence each, by line feeds.

    `coupon_mm`: diameter, or thickness where `flat`. `spark_carbon`: the carbon of two known steels between whose
    sparks this one's lie. Ideal diameters are in mm; None: no bound.
    """
    faults = _faults(coupon_mm, rungs, origin, spark_carbon)
    seen: list[_Seen] = []
    round_mm = coupon_mm * (hard.FLAT if flat else 1.0)
    if not faults:
        seen, faults = _seen(round_mm, rungs)
    if faults:
        raise ValueError("\n".join(faults))
    low_mm, high_mm = _ideal(seen)
    carbon = _carbon(seen)
    alloyed = _alloyed(carbon, low_mm, high_mm)
    remaining, ruled_out = [], []
    for steel in steels:
        speaks_for, against, decisive = _weigh(steel, seen, round_mm, low_mm, high_mm, carbon)
        if decisive:
            ruled_out.append({"name": steel.name, "why": decisive})
            continue
        if steel.name in ORIGINS.get(origin, ()):
            speaks_for.append(f"scrap of this origin ({origin}) is often of it (weak, common practice)")
        elif origin:
            against.append(f"not what such scrap ({origin}) is usually made of (weak, common practice)")
        if spark_carbon is not None:
            inside = spark_carbon[0] - 0.05 <= steel.elements.c <= spark_carbon[1] + 0.05
            (speaks_for if inside else against).append(
                f"its {steel.elements.c:g} % carbon is {'' if inside else 'not '}between the two spark samples (weak)"
            )
        remaining.append({"name": steel.name, "for": speaks_for, "against": against})
    remaining.sort(key=lambda one: (len(one["against"]) - len(one["for"]), one["name"]))
    first = next((one for one in seen if one.state == "hard"), None)
    return {
        "coupon_mm": coupon_mm,
        "as_round_mm": round(round_mm, 1),
        "class": _class(seen, coupon_mm),
        "ideal_low_mm": None if low_mm is None else round(low_mm, 1),
        "ideal_high_mm": None if high_mm is None else round(high_mm, 1),
        "carbon_low": None if carbon is None else round(carbon[0], 2),
        "carbon_high": None if carbon is None else round(carbon[1], 2),
        "alloyed": alloyed,
        "rungs": [_told(one) for one in seen],
        "grades": remaining,
        "ruled_out": ruled_out,
        "next_test": _next(seen, coupon_mm),
        "first_plan": _plan(first, carbon, alloyed, temper_c),
        "warnings": _warnings(seen, coupon_mm, remaining),
        "sources": [
            "Ideal diameters from Grossmann's half-temperature rule (computed); grades by ASTM A255, ±20 %",
            "Carbon from ASTM A255's hardness of full martensite (published), files ±2 HRC (SAE J864)",
        ],
    }


def _faults(
    coupon_mm: float, rungs: Sequence[Rung], origin: str, spark: tuple[float, float] | None
) -> list[str]:
    faults = []
    if not 1.0 <= coupon_mm <= 60.0:
        faults.append(f"A coupon of {coupon_mm:g} mm says little; right is a number from 1 to 60 mm, best 10 to 13.")
    if not rungs:
        faults.append("The ladder is empty; right is at least one rung: a quench and what a file did after it.")
    if origin and origin not in ORIGINS:
        faults.append(f'Nothing is known of the origin "{origin[:40]}"; known are {", ".join(ORIGINS)}.')
    if spark is not None and not 0.05 <= spark[0] < spark[1] <= 2.5:
        faults.append("Sparks are compared with two known steels; right is their carbon, the lower first, in percent.")
    return faults


def _seen(round_mm: float, rungs: Sequence[Rung]) -> tuple[list[_Seen], list[str]]:
    seen: list[_Seen] = []
    faults: list[str] = []
    for rung in rungs:
        medium = next((known for known in hard.MEDIA if known == rung.medium), None)
        if medium is None:
            faults.append(f'There is no rung "{rung.medium[:40]}"; right is one of {", ".join(hard.MEDIA)}.')
        elif any(one.medium == medium for one in seen):
            faults.append(f"The rung {medium} stands there twice; right is once, the better test.")
        else:
            try:
                seen.append(_one(round_mm, medium, rung))
            except ValueError as error:
                faults.append(f"{medium}: {error}")
    seen.sort(key=lambda one: hard.MEDIA.index(one.medium))
    order: dict[State, int] = {"soft": 0, "partly": 1, "hard": 2}
    for index, mild in enumerate(seen):
        for harsh in seen[index + 1 :]:
            if order[harsh.state] < order[mild.state]:
                faults.append(
                    f"{mild.state.capitalize()} in {mild.medium} and {harsh.state} in {harsh.medium} contradict each "
                    "other: a harsher quench hardens no less. Grind both clean and test again, or quench again."
                )
    return seen, faults


def _one(round_mm: float, medium: hard.Medium, rung: Rung) -> _Seen:
    h = hard.severity_per_in(medium)
    required_mm = hard.required_ideal_mm(round_mm, h)
    surface_mm = hard.required_ideal_mm(round_mm, h, surface=True)
    if rung.one_file is not None:
        if rung.one_file not in ONE_FILE or rung.skates_hrc is not None or rung.bites_hrc is not None:
            raise ValueError(f"right is one of {', '.join(ONE_FILE)} for one ordinary file, or graded files.")
        state, low, high = ONE_FILE[rung.one_file]
        return _Seen(medium, state, low, high, required_mm, surface_mm)
    band = file_band(rung.skates_hrc, rung.bites_hrc)
    if (band.low_hrc or 0.0) >= 50.0:
        state = "hard"
    else:
        state = "soft" if band.high_hrc is not None and band.high_hrc <= 40.0 else "partly"
    return _Seen(medium, state, band.low_hrc, band.high_hrc, required_mm, surface_mm)


def _ideal(seen: Sequence[_Seen]) -> tuple[float | None, float | None]:
    """Bounds on the ideal diameter: from below by the surface that a hard rung's file was on, from above generously, by
    the centre of one that stayed soft."""
    lows = [one.surface_mm * SPREAD[0] for one in seen if one.state == "hard"]
    hardens = bool(lows)
    highs = [one.required_mm * SPREAD[1] for one in seen if one.state == "soft"] if hardens else []
    highs += [one.required_mm * SPREAD[1] for one in seen if one.state == "partly"] if hardens else []
    return max(lows, default=None), min(highs, default=None)


def _carbon(seen: Sequence[_Seen]) -> tuple[float, float] | None:
    """From the hardest rung: full martensite of that band, its edges ±2 HRC. None before anything hardened."""
    best = [one for one in seen if one.state == "hard"]
    if not best:
        harshest = seen[-1]
        if harshest.medium in {"water", "brine"} and harshest.state == "soft":
            return 0.05, 0.3
        if harshest.state == "partly" and harshest.medium in {"water", "brine"}:
            return 0.2, 2.5
        return None
    low_hrc = max(one.low_hrc or 50.0 for one in best)
    highs = [one.high_hrc for one in best if one.high_hrc is not None]
    low = carbon_of_as_quenched(low_hrc - 2.0)
    high = carbon_of_as_quenched(max(highs) + 2.0) if highs and max(highs) + 2.0 < 63.5 else 2.5
    return min(low, 0.55), max(high, low + 0.05)


def _alloyed(carbon: tuple[float, float] | None, low_mm: float | None, high_mm: float | None) -> bool | None:
    """Whether a plain steel of that carbon could harden so deep. None: both may be."""
    if carbon is None:
        return None
    deepest = hard.ideal_diameter_mm(Elements(min(carbon[1], 0.9), 1.0, 0.35))
    if low_mm is not None and low_mm > deepest * 1.1:
        return True
    return False if high_mm is not None and high_mm < deepest else None


def _weigh(
    steel: Steel, seen: Sequence[_Seen], round_mm: float, low_mm: float | None, high_mm: float | None,
    carbon: tuple[float, float] | None,
) -> tuple[list[str], list[str], str]:  # fmt: skip
    """(for, against, what rules it out or "")."""
    speaks_for: list[str] = []
    against: list[str] = []
    if not hard.refusal(steel.elements, steel.family):
        ideal_mm = hard.ideal_diameter_mm(steel.elements)
        least, most = ideal_mm * (1.0 - hard.ERROR), ideal_mm * (1.0 + hard.ERROR)
        said = f"its ideal diameter is about {ideal_mm:.0f} mm"
        if low_mm is not None and most < low_mm:
            return [], [], f"{said}; hard like this needs {low_mm:.0f} mm or more"
        if high_mm is not None and least > high_mm:
            return [], [], f"{said}; it would have hardened where this stayed soft (under {high_mm:.0f} mm)"
        if low_mm is not None or high_mm is not None:
            (speaks_for if (low_mm or 0.0) <= ideal_mm <= (high_mm or 1e9) else against).append(f"{said} (±20 %)")
    else:
        for one in seen:
            expected = _grade_hardens(steel, one.medium, round_mm)
            if expected is None or one.state == "partly":
                continue
            if expected != (one.state == "hard"):
                does = "hardens" if expected else "does not harden"
                return [], [], f"it {does} in {one.medium} at this section, as far as known; this is {one.state}"
            speaks_for.append(f"{one.state} in {one.medium}, as this grade is")
    if carbon is not None:
        c = steel.elements.c
        if not carbon[0] - 0.08 <= c <= carbon[1] + 0.08 and c < 0.6:
            return [], [], f"its {c:g} % carbon makes {as_quenched_hrc(c):.0f} HRC, not what the files say"
        if c > carbon[1] + 0.08:
            return [], [], f"its {c:g} % carbon would be harder than the files say"
        (speaks_for if carbon[0] <= c <= carbon[1] else against).append(f"{c:g} % carbon against the guess")
    if steel.austenitise_c[0] >= 900.0:
        against.append(f"it needs {steel.austenitise_c[0]:.0f} °C or more to harden: only if the coupon was that hot")
    return speaks_for, against, ""


def _grade_hardens(steel: Steel, medium: hard.Medium, round_mm: float) -> bool | None:
    """Whether a tool steel hardens there, with a margin of 1.5 in size for what is only known roughly."""
    reached = False
    for step in steel.harden_in:
        milder = hard.MEDIA.index(next(m for m in hard.MEDIA if m == step.medium)) <= hard.MEDIA.index(medium)
        if milder and (step.to_mm is None or round_mm <= step.to_mm / 1.5):
            return True
        reached = reached or (milder and step.to_mm is not None and round_mm <= step.to_mm * 1.5)
    if reached:
        return None
    # Thin coupons of oil-hardening steel often harden in air as well: nothing follows from that.
    if medium == "air" and round_mm < GOOD_COUPON_MM and steel.family in {"oil", "shock"}:
        return None
    return False


def _class(seen: Sequence[_Seen], coupon_mm: float) -> str:
    first = next((one for one in seen if one.state == "hard"), None)
    if first is None:
        if seen[-1].medium in {"water", "brine"} and seen[-1].state == "soft":
            return "does not harden: too little carbon, or not hot enough"
        return "not hardened yet"
    if first.medium == "air":
        return "air hardening" if coupon_mm >= GOOD_COUPON_MM else "air hardening, or deep oil hardening and thin here"
    milder = hard.MEDIA[: hard.MEDIA.index(first.medium)]
    skipped = [medium for medium in milder if medium not in [one.medium for one in seen]]
    least = f" (not tried: {', '.join(skipped)})" if skipped else ""
    return f"{first.medium} hardening{least}"


def _told(one: _Seen) -> dict[str, Any]:
    return {"medium": one.medium, "state": one.state, "low_hrc": one.low_hrc, "high_hrc": one.high_hrc,
            "required_ideal_mm": round(one.required_mm, 1)}  # fmt: skip


def _next(seen: Sequence[_Seen], coupon_mm: float) -> str:
    tried = [one.medium for one in seen]
    first = next((one for one in seen if one.state == "hard"), None)
    if first is None:
        harsher = [medium for medium in hard.MEDIA if hard.MEDIA.index(medium) > hard.MEDIA.index(seen[-1].medium)]
        if harsher:
            return f"A fresh coupon in {harsher[0]}: the mildest quench not tried yet that may harden it."
        return "A coupon hotter by 40 °C, once, in water; if it stays soft it is no steel for tools."
    milder = [m for m in hard.MEDIA[: hard.MEDIA.index(first.medium)] if m not in tried]
    if milder:
        return f"A coupon in {milder[-1]}: a milder quench may do, with less risk of cracks."
    if first.medium == "air" and coupon_mm < GOOD_COUPON_MM:
        return "A coupon of 10 to 13 mm in still air: if that stays soft, it is oil hardening and only thin here."
    if first.low_hrc is None or first.high_hrc is None:
        return "Graded files on the hard coupon: its band guesses the carbon."
    return "Temper the hard coupon 1 h at 205 °C and test it: that says more than any guess of a grade."


def _plan(
    first: _Seen | None, carbon: tuple[float, float] | None, alloyed: bool | None, temper_c: float
) -> dict[str, Any] | None:
    """Quench, heat and a first temper on a coupon; None before a rung is hard."""
    if first is None or carbon is None:
        return None
    found = predict(Known(carbon=(carbon[0], min(carbon[1], 1.1)), alloyed=alloyed), temper_c, 3600.0)
    heat = (
        "Heat until the magnet lets go and a little further (30 to 60 K); not hotter than the coupon was."
        if first.medium != "air"
        else "Heat as hot as the coupon was: air-hardening steel needs 900 °C and more, and no magnet says when."
    )
    return {
        "quench": first.medium,
        "heat_text": heat,
        "temper_c": temper_c,
        "time_s": 3600.0,
        "hardness_hrc": None if found.hardness_hrc is None else round(found.hardness_hrc, 1),
        "low_hrc": None if found.low_hrc is None else round(found.low_hrc, 1),
        "high_hrc": None if found.high_hrc is None else round(found.high_hrc, 1),
        "reason": found.reason,
        "text": f"Quench in {first.medium}, temper a coupon 1 h at {temper_c:g} °C, test it, and go hotter in steps of "
        "20 °C until it is right.",
    }


def _warnings(seen: Sequence[_Seen], coupon_mm: float, remaining: Sequence[dict[str, Any]]) -> list[str]:
    said = ["A class and a guess, never a grade: many steels behave alike on a coupon.",
            "Grind half a millimetre off before the file: decarburised skin is soft."]  # fmt: skip
    air = next((one for one in seen if one.medium == "air"), None)
    if air is not None and air.state == "hard" and coupon_mm < GOOD_COUPON_MM:
        said.append(f"A coupon of {coupon_mm:g} mm hardens in still air where a thick bar may not (4140 does so).")
    if not remaining:
        said.append("None of the grades known here fits: another steel, a wrong heat, or a soft skin under the file.")
    if any(one.state == "partly" for one in seen):
        said.append("A coupon that is neither hard nor soft was perhaps not hot enough: heat another and try again.")
    return said
