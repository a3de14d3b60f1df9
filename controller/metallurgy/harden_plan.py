"""The hardening plan as plain values: heat, magnet, quench, what it does to this section, risks and working rules."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

from controller.metallurgy import hardenability as hard
from controller.metallurgy.critical import critical, magnet, retained_austenite
from controller.metallurgy.hardness import as_quenched_hrc
from controller.metallurgy.steel import Elements, Steel, written
from controller.metallurgy.temper_plan import brittle

THIN_MM, THICK_MM = 0.5, 300.0
TOOL: Final = frozenset({"water", "oil", "air", "shock"})
OIL_PREHEAT_C: Final = (40.0, 65.0)
MUCH_AUSTENITE: Final = 0.12
MAGNET_RULE: Final = "Try the magnet often on the way up."
RULES: Final = (
    "Heat slowly and evenly, thin parts last: edges and points are the first to burn.",
    MAGNET_RULE,
    "Keep the part moving in the quench, up and down or in an eight: a still part sits in its own film of vapour.",
    "Where only the end is hardened, quench the end and draw it out slowly, so that no sharp line is left to crack at.",
    "The struck end stays soft.",
)
"""Common practice, no source."""


def plan_harden(
    steel: Steel | None,
    elements: Elements,
    section_mm: float,
    *,
    quench: str | None = None,
    agitation: str = "",
    flat: bool = False,
    temper_c: float | None = None,
) -> dict[str, Any]:
    """How to harden this section, in JSON values; `reasons` says by field why it is null.

    `quench` None: the mildest that hardens it. Raises ValueError with every fault of the question, one sentence each,
    separated by a line feed.
    """
    faults = _faults(elements, section_mm, quench, agitation)
    if faults:
        raise ValueError("\n".join(faults))
    points = critical(steel, elements)
    reasons = dict(points.reasons)
    family = steel.family if steel is not None else ""
    why = hard.refusal(elements, family)
    ideal_mm = None if why else hard.ideal_diameter_mm(elements)
    if why:
        reasons["ideal_diameter_mm"] = reasons["critical_diameter_mm"] = why
    round_mm = section_mm * (hard.FLAT if flat else 1.0)
    quenches = [_quench(steel, medium, agitation, ideal_mm, round_mm) for medium in hard.MEDIA]
    mildest = next((one["medium"] for one in quenches if one["result"] == "through"), None) or next(
        (one["medium"] for one in quenches if one["result"] == "shell"), None
    )
    if mildest is None:
        reasons["mildest_quench"] = "Nothing here says which quench hardens this section: try coupons of it."
    medium = quench or mildest
    chosen = next((one for one in quenches if one["medium"] == medium), None)
    if chosen is None:
        reasons.setdefault("critical_diameter_mm", reasons.get("mildest_quench", ""))
    left = retained_austenite(points.ms_c)
    range_c = points.austenitise_c
    test = magnet(elements, range_c[0] if range_c else None)
    twice = bool(steel and steel.twice) or left > MUCH_AUSTENITE
    return {
        "steel": steel.name if steel else written(elements),
        "ac1_c": _whole(points.ac1_c),
        "ac3_c": _whole(points.ac3_c),
        "ms_c": _whole(points.ms_c),
        "ms_low_c": _whole(points.ms_low_c),
        "ms_high_c": _whole(points.ms_high_c),
        "austenitise_c": None if range_c is None else [_whole(range_c[0]), _whole(range_c[1])],
        "magnet": asdict(test),
        "section_mm": section_mm,
        "as_round_mm": round(round_mm, 1),
        "ideal_diameter_mm": _tenth(ideal_mm),
        "critical_diameter_mm": chosen["critical_diameter_mm"] if chosen else None,
        "critical_error_fraction": hard.ERROR,
        "quench": medium,
        "mildest_quench": mildest,
        "result": chosen["result"] if chosen else None,
        "result_text": _in_words(chosen, round_mm) if chosen else reasons.get("mildest_quench", ""),
        "quenches": quenches,
        "oil_preheat_c": list(OIL_PREHEAT_C) if medium == "oil" else None,
        "as_quenched_hrc": round(as_quenched_hrc(elements.c), 0),
        "soak_text": _soak(family, section_mm),
        "retained_austenite_fraction": round(left, 3),
        "retained_low_fraction": round(left / 1.75, 3),
        "retained_high_fraction": round(min(left * 1.75, 1.0), 3),
        "tempers": 2 if twice else 1,
        "temper_text": _temper(steel, section_mm, twice, left),
        "delay_text": "Quench to 50 to 65 °C, then temper at once (makers' sheets); left lying as quenched, "
        "hard steel may crack by itself.",
        "warnings": _risks(steel, elements, medium, mildest, quenches, left, temper_c),
        "rules": [rule for rule in RULES if test.useful or rule != MAGNET_RULE],
        "reasons": reasons,
        "sources": [*points.sources, *_SOURCES],
    }  # fmt: skip


_SOURCES: Final = (
    "Ideal diameter: ASTM A255 (published transcription), grain 7, ±15 to 20 % (from memory)",
    "Critical diameter: Grossmann's half-temperature rule, solved here; severities of Grossmann and Bain",
    "Austenite left: Koistinen and Marburger, Acta Metall. 7 (1959) 59 (published), good to a factor of 1.5 to 2",
)


def _faults(elements: Elements, section_mm: float, quench: str | None, agitation: str) -> list[str]:
    faults = []
    if not THIN_MM <= section_mm <= THICK_MM:
        faults.append(f"A section of {section_mm:g} mm is not planned here; right is a number from {THIN_MM:g} to "
                      f"{THICK_MM:g} mm.")  # fmt: skip
    if quench is not None and quench not in hard.MEDIA:
        faults.append(f'There is no quench "{quench[:40]}"; right is one of {", ".join(hard.MEDIA)}.')
    ways = sorted({way for known in hard.SEVERITY_PER_IN.values() for way in known})
    if agitation and agitation not in ways:
        faults.append(f'There is no agitation "{agitation[:40]}"; right is one of {", ".join(ways)}.')
    if elements.c < 0.15:
        faults.append(f"With {elements.c:g} % carbon this steel does not harden; right is 0.15 % or more.")
    return faults


def _quench(
    steel: Steel | None, medium: hard.Medium, agitation: str, ideal_mm: float | None, round_mm: float
) -> dict[str, Any]:
    """One medium: by the formula where it reaches, else by what is known of the grade."""
    if ideal_mm is not None:
        h = hard.severity_per_in(medium, agitation)
        return {
            "medium": medium,
            "critical_diameter_mm": _tenth(hard.critical_diameter_mm(ideal_mm, h)),
            "result": hard.result(round_mm, ideal_mm, h),
            "file_hard": hard.required_ideal_mm(round_mm, h) * hard.FULL <= ideal_mm,
            "basis": "computed",
        }
    result, basis = None, "unknown"
    for step in steel.harden_in if steel is not None else ():
        harsher = hard.MEDIA.index(medium) >= hard.MEDIA.index(step.medium)
        if harsher and (step.to_mm is None or round_mm <= step.to_mm):
            result, basis = ("shell" if steel and steel.family == "water" and round_mm > 6.0 else "through"), "grade"
        elif step.medium == medium and result is None:
            result, basis = "not", "grade"
    if result is None and steel is not None and steel.harden_in:
        first = hard.MEDIA.index(steel.harden_in[0].medium)
        result, basis = ("not", "grade") if hard.MEDIA.index(medium) < first else (None, "unknown")
    return {"medium": medium, "critical_diameter_mm": None, "result": result, "file_hard": None, "basis": basis}


def _in_words(chosen: dict[str, Any], round_mm: float) -> str:
    medium, result = chosen["medium"], chosen["result"]
    if result is None:
        return f"Nothing here says what {medium} does to this steel: try a coupon of this section."
    said = {
        "through": f"Hardens through in {medium}",
        "shell": f"Gets a hard shell over a softer core in {medium}",
        "not": f"Does not harden in {medium}",
    }[result]
    if chosen["basis"] == "grade":
        return f"{said}, from what is known of the grade (no formula reaches it)."
    critical_mm = chosen["critical_diameter_mm"]
    text = f"{said}: half martensite at the centre of a round up to {critical_mm:.0f} mm (±{100 * hard.ERROR:.0f} %)."
    if (1.0 - hard.ERROR) * critical_mm < round_mm < (1.0 + hard.ERROR) * critical_mm:
        text += " This section is within that error: test it on a coupon of the same section."
    elif result == "through" and not chosen["file_hard"]:
        text += " File hard to the centre it is not."
    return text


def _soak(family: str, section_mm: float) -> str:
    if family == "air":
        minutes = max(45.0, section_mm / hard.INCH_MM * 60.0)
        return f"About {minutes:.0f} min at heat (makers' sheets: 45 to 60 min an inch, 45 at least), wrapped."
    if family in TOOL:
        minutes = max(10.0, section_mm / hard.INCH_MM * 30.0)
        return f"About {minutes:.0f} min at heat (a maker's sheet for O1: 30 min an inch)."
    minutes = 5.0 + section_mm / 5.0
    return f"About {minutes:.0f} min once the colour is even through (common practice, no source); longer only scales."


def _temper(steel: Steel | None, section_mm: float, twice: bool, left: float) -> str:
    hours = max(2.0 if steel and steel.family in TOOL else 1.0, 1.5 * section_mm / hard.INCH_MM)
    text = f"{hours:.1f} h at heat, counted from the steel's own temperature (makers' sheets: 1 to 2 h an inch)."
    if twice:
        why = "its makers ask for it" if steel and steel.twice else f"about {100 * left:.0f} % austenite is left"
        text += f" Twice, cooled to the hand between: {why}."
    return text


def _risks(
    steel: Steel | None, e: Elements, medium: str | None, mildest: str | None, quenches: list[dict[str, Any]],
    left: float, temper_c: float | None,
) -> list[str]:  # fmt: skip
    risks = []
    if medium and mildest and hard.MEDIA.index(medium) > hard.MEDIA.index(mildest):
        risks.append(f"{medium.capitalize()} is harsher than needed: {mildest} hardens this section with less risk.")
    if medium in {"water", "brine"}:
        if quenches[0]["result"] == "through" or (steel and steel.family == "air"):
            risks.append(f"This section hardens in air: in {medium} it will very likely crack.")
        elif e.c > 0.55 or (steel and steel.family in {"oil", "shock"} and mildest != medium):
            risks.append(f"With {e.c:g} % carbon, {medium} may crack it, most at sharp corners, holes and marks.")
    if medium == "brine":
        risks.append("Brine spits and rusts: eye protection, and rinse the part.")
    if quenches[0]["result"] == "through" and medium != "air" and not (steel and steel.family == "air"):
        risks.append("A coupon as thin as this hardens in still air; a thicker bar of it does not.")
    if left > MUCH_AUSTENITE:
        risks.append(
            f"About {100 * left:.0f} % austenite may be left (to a factor of 1.75), soft under the file: do not "
            "overheat, and temper twice."
        )
    if e.c > 0.8:
        risks.append("Hotter than its range this steel dissolves more carbon: more austenite left, coarser, brittle.")
    risks.append("Scaled and decarburised skin is soft under the file: grind off half a millimetre before testing.")
    if steel is not None:
        if temper_c is not None:
            risks += brittle(steel, temper_c)
        elif "none" not in steel.embrittlement:
            risks.append(f"Tempering range that makes it brittle: {steel.embrittlement}.")
        if steel.note:
            risks.append(steel.note)
    return risks


def _whole(value: float | None) -> float | None:
    return None if value is None else round(value, 0)


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
