"""The plan sheet as plain values: one page from the coupon to the checks, with a temper program ready to start."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from controller.metallurgy.colours import colour_note
from controller.metallurgy.conduction import oven_time_constant_s
from controller.metallurgy.harden_plan import OIL_PREHEAT_C, plan_harden
from controller.metallurgy.hardenability import FLAT, INCH_MM
from controller.metallurgy.steel import Elements
from controller.metallurgy.temper_plan import OVEN_C, hardest_hrc, oven_refusal, plan_temper
from controller.metallurgy.tempered import Known
from controller.metallurgy.uses import Use, reddening, window

FIRST_TRY_C: Final = 205.0
LONGEST_SOAK_MIN: Final = 240.0
CAUTIONS: Final = (
    "Eye protection: hard steel can throw chips, quench oil spits.",
    "Wash and dry the part before the oven: oil on it burns.",
    "Oven and oil apart from each other and from the forge; a lid and a class B or K extinguisher near, never water.",
    "Hot oil is never left alone. Software is never the only barrier.",
)


@dataclass(frozen=True, slots=True)
class Tank:
    """The oil's present state as the sheet shows it."""

    oil: str
    temperature_c: float | None
    ready: bool


def plan_sheet(
    known: Known, section_mm: float, *, use: str = "", hardness_hrc: float | None = None, flat: bool = False,
    quench: str | None = None, tank: Tank | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Sections of sentences, the two plans behind them, and the program (None where this oven cannot).

    JSON values: `title`, `sections` [{`name`, `title`, `lines`}] in the order coupon, hardening, quench, temper,
    checks, cautions; `program` as the oven's start takes it; `harden`, `temper`. Raises ValueError with every fault,
    one sentence each, separated by a line feed.
    """
    if known.steel is None and known.elements is None and known.carbon is None:
        raise ValueError("The steel is not known; right is a grade, a composition, or a ladder on coupons first.")
    wanted_use = window(use, known.steel.family if known.steel else "") if use else None
    if wanted_use is None and hardness_hrc is None:
        raise ValueError("Right is a use, as struck tool, or a wanted hardness in HRC.")
    wanted = hardness_hrc if hardness_hrc is not None else _middle(wanted_use, known)
    hardened = _hardened(known, section_mm, quench, flat)
    tempers = int(hardened["tempers"])
    soak_min = _soak_min(known, section_mm * (FLAT if flat else 1.0))
    time_s = soak_min * 60.0 * tempers
    tempered, told = _tempered(known, wanted, wanted_use, time_s)
    refused = oven_refusal(known.steel)
    too_hard = wanted_use is not None and (tempered["hardness_hrc"] or 0.0) > wanted_use.high_hrc
    program = None
    if not refused and not too_hard and tempered["temperature_c"] is not None:
        program = _program(known, tempered, tempers, soak_min)
    title = f"{hardened['steel']}, {section_mm:g} mm {'flat' if flat else 'round'}"
    return {
        "title": title + (f", {wanted_use.name}" if wanted_use else ""),
        "wanted_hrc": wanted,
        "sections": [
            _section("coupon", "Coupon", _coupon(known, hardened)),
            _section("hardening", "Hardening", _hardening(hardened)),
            _section("quench", "Quench", _quench(hardened, tank)),
            _section("temper", "Temper", [*_temper(tempered, told, program, hardened, refused), _warm_up(hardened)]),
            _section("checks", "Checks", _checks(wanted_use, tempered)),
            _section("cautions", "Cautions", [*hardened["warnings"], *CAUTIONS]),
        ],
        "program": program,
        "harden": hardened,
        "temper": tempered,
    }


def _hardened(known: Known, section_mm: float, quench: str | None, flat: bool) -> dict[str, Any]:
    """By grade or composition; of a steel with a carbon guess only, what does not hang on its alloy."""
    elements = known.elements or (known.steel.elements if known.steel else None)
    if elements is not None:
        return plan_harden(known.steel, elements, section_mm, quench=quench, flat=flat)
    assert known.carbon is not None
    low, high = known.carbon
    guess = Elements(max(min((low + high) / 2.0, 0.95), 0.2), mn=0.7, si=0.25)
    plan = plan_harden(None, guess, section_mm, quench=quench, flat=flat)
    why = "From a ladder only the class and a carbon guess are known."
    unknown = ("ideal_diameter_mm", "critical_diameter_mm", "mildest_quench", "result", "ac1_c", "ac3_c")
    plan.update(dict.fromkeys(unknown), quench=quench, quenches=[], as_quenched_hrc=None)
    plan["oil_preheat_c"] = list(OIL_PREHEAT_C) if quench == "oil" else None
    plan["reasons"] = dict.fromkeys(unknown, why)
    plan["steel"] = f"unknown stock, about {low:g} to {high:g} % carbon"
    plan["result_text"] = "Whether this section hardens through only a coupon of the same section tells."
    plan["warnings"] = [why, *(text for text in plan["warnings"] if "skin" in text)]
    return plan


def _middle(use: Use | None, known: Known) -> float:
    """The middle of the window, or what this steel can be at most. ValueError where that is below the window."""
    assert use is not None
    hardest = hardest_hrc(known)
    if hardest is not None and hardest < use.low_hrc:
        raise ValueError(
            f"This steel makes no {use.name}: it is {hardest:.0f} HRC at the most, and {use.low_hrc:g} to "
            f"{use.high_hrc:g} are wanted."
        )
    middle = (use.low_hrc + use.high_hrc) / 2.0
    return middle if hardest is None else min(middle, hardest)


def _soak_min(known: Known, round_mm: float) -> float:
    """Makers' sheets: 1 to 2 h an inch, tool steel 2 h at least; whole ten minutes."""
    tool = known.steel is not None and known.steel.family in {"water", "oil", "air", "shock"}
    minutes = max(120.0 if tool else 60.0, 90.0 * round_mm / INCH_MM)
    return min(round(minutes / 10.0) * 10.0, LONGEST_SOAK_MIN)


def _tempered(known: Known, wanted: float, use: Use | None, time_s: float) -> tuple[dict[str, Any], str]:
    """The temper for the hardness; else the oven's hottest where softer is wanted, or a first try."""
    plan = plan_temper(known, hardness_hrc=wanted, time_s=time_s)
    if plan["temperature_c"] is not None:
        return plan, ""
    why = str(plan["reason"])
    hottest = plan_temper(known, temperature_c=OVEN_C[1], time_s=time_s)
    if hottest["hardness_hrc"] is not None and hottest["hardness_hrc"] > wanted:
        if use is None:
            return hottest, why
        if hottest["hardness_hrc"] > use.high_hrc:
            return hottest, f"{why} That is too hard for a {use.name}: it needs a hotter furnace."
        return hottest, why + " The oven's hottest is still in the window."
    return plan_temper(known, temperature_c=FIRST_TRY_C, time_s=time_s), why


def _program(known: Known, tempered: dict[str, Any], tempers: int, soak_min: float) -> dict[str, Any]:
    """As `POST /api/v1/oven/start` takes it."""
    celsius = min(float(round(tempered["temperature_c"])), OVEN_C[1])
    name = known.steel.name if known.steel else "composition"
    one = {"temperature_c": celsius, "soak_min": soak_min, "cool_below_c": 50.0}
    return {"name": f"plan {name} {celsius:g}", "tempers": [dict(one) for _ in range(tempers)]}


def _section(name: str, title: str, lines: list[str]) -> dict[str, Any]:
    return {"name": name, "title": title, "lines": [line for line in lines if line]}


def _coupon(known: Known, hardened: dict[str, Any]) -> list[str]:
    teaching = sum(piece.teaches for piece in known.pieces)
    if teaching:
        return [f"This stock was tested {teaching} times: a coupon is worth it only for a new heat or section."]
    lines = ["Harden and temper a coupon of the same bar first, with the same section where it can be."]
    if hardened["result"] != "through":
        lines.append("The section decides here: a thinner coupon would harden where the tool does not.")
    return [*lines, "Grind off half a millimetre, then file: note the file that skates and the one that bites."]


def _hardening(hardened: dict[str, Any]) -> list[str]:
    heat = hardened["austenitise_c"]
    lines = [hardened["reasons"].get("ac1_c", "No range to harden from is known: go by coupons.")]
    if heat is not None:
        lines = [f"Heat to {heat[0]:.0f} to {heat[1]:.0f} °C."]
    return [*lines, hardened["magnet"]["text"], hardened["soak_text"], *hardened["rules"][:2]]


def _quench(hardened: dict[str, Any], tank: Tank | None) -> list[str]:
    medium = hardened["quench"]
    lines = [f"Quench in {medium}." if medium else "The quench is not known: climb the ladder on coupons."]
    lines.append(hardened["result_text"])
    if medium == "oil":
        low, high = hardened["oil_preheat_c"]
        lines.append(f"Oil at {low:.0f} to {high:.0f} °C: cold oil is thick and slower.")
        if tank is not None:
            celsius = tank.temperature_c
            at = "its temperature is not known" if celsius is None else f"it is at {celsius:.0f} °C"
            lines.append(f"The tank holds {tank.oil}; {at}{', ready' if tank.ready else ', not ready yet'}.")
        else:
            lines.append("No heated oil is known here: preheat it and measure.")
    return [*lines, *hardened["rules"][2:], hardened["delay_text"]]


def _temper(
    tempered: dict[str, Any], told: str, program: dict[str, Any] | None, hardened: dict[str, Any], refused: str
) -> list[str]:
    if refused:
        return [refused]
    lines = [told]
    if program is not None:
        first = program["tempers"][0]
        times = "twice" if len(program["tempers"]) == 2 else "once"
        lines.append(f"{first['temperature_c']:g} °C for {first['soak_min']:g} min, {times}, counted on the steel.")
    if tempered["hardness_hrc"] is not None:
        middle, low, high = (tempered[key] for key in ("hardness_hrc", "low_hrc", "high_hrc"))
        lines.append(f"Expected {middle:.0f} HRC, {low:.0f} to {high:.0f} in nine of ten, by {tempered['model']}.")
    return [*lines, tempered["reason"], hardened["temper_text"], *tempered["warnings"]]


def _warm_up(hardened: dict[str, Any]) -> str:
    minutes = 3.0 * oven_time_constant_s(hardened["as_round_mm"]) / 60.0
    return f"The steel itself needs about {minutes:.0f} min to come to heat in the oven; the soak counts from there."


def _checks(use: Use | None, tempered: dict[str, Any]) -> list[str]:
    lines = []
    if use is not None:
        lines.append(f"Wanted: {use.low_hrc:g} to {use.high_hrc:g} HRC ({use.source}). {use.file_text}")
        lines.append(use.note)
        if use.reddens:
            lines.append(reddening())
    lines.append("As quenched a file must skate; where it bites, the hardening failed, and no temper mends that.")
    if tempered["temperature_c"] is not None:
        lines.append(colour_note(tempered["temperature_c"], tempered["time_s"]))
    return lines
