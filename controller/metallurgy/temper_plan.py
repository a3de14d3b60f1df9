"""The temper plan as plain values: hardness from a temper, or the temper for a hardness."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any, Final

from controller.metallurgy import hardness, tempering
from controller.metallurgy.colours import colour_note
from controller.metallurgy.scales import HIGHEST_HRC, LOWEST_HRC, hv_of_hrc
from controller.metallurgy.steel import Steel
from controller.metallurgy.tempered import Known, Predicted, predict

OVEN_C: Final = (60.0, 260.0)
"""What this oven tempers at."""
NO_TEMPER_C: Final = 705.0
"""Above this, steel is no longer tempered: austenite forms again (lowest Ac1 of the grades here is 710 °C)."""
USUAL_S: Final = 3600.0
LONGEST_S: Final = 7 * 86_400.0


def plan_temper(
    known: Known,
    *,
    temperature_c: float | None = None,
    time_s: float | None = None,
    hardness_hrc: float | None = None,
) -> dict[str, Any]:
    """Hardness after (temperature_c, time_s), or the temper that gives hardness_hrc (time_s then 1 h if not given).

    JSON values: `hardness_hrc`, `low_hrc`, `high_hrc` (90 %), `hardness_hv`, `model`, `reach`, `warnings`, `sources`,
    `tables`, `temperature_c`, `time_s`, `reason` ("" or why a value is null), `notes` (colours). Raises ValueError with
    every fault of the question, one sentence each, separated by a line feed.
    """
    faults = list(_faults(known, temperature_c, time_s, hardness_hrc))
    if faults:
        raise ValueError("\n".join(faults))
    seconds = USUAL_S if time_s is None else time_s
    refused = oven_refusal(known.steel)
    if hardness_hrc is not None:
        return _for_hardness(known, hardness_hrc, seconds, refused)
    assert temperature_c is not None
    found = predict(known, temperature_c, seconds)
    if refused:
        found = Predicted(None, None, None, found.model, refused, sources=found.sources, tables=found.tables)
    return _told(found, known.steel, temperature_c, seconds)


def plan_trace(known: Known, samples: Iterable[tuple[float, float]], at_c: float) -> dict[str, Any]:
    """The same after a recorded trace of the part: (°C, seconds held) each; it is worth `time_s` at `at_c`."""
    trace = tempering.TemperTrace(at_c)
    for part_c, seconds in samples:
        trace.add(part_c, seconds)
    if trace.equivalent_s <= 0.0:
        cold = Predicted(None, None, None, "none", "The part never came above 60 °C: nothing was tempered.")
        return _told(cold, known.steel, at_c, 0.0)
    return _told(predict(known, at_c, trace.equivalent_s), known.steel, at_c, trace.equivalent_s)


def equivalent_time_s(temperature_c: float, time_s: float, at_c: float) -> float:
    """The time at `at_c` that tempers as much as time_s at temperature_c; both tempers of 10 min to 32 h at best."""
    return tempering.equivalent_time_s(tempering.parameter(temperature_c, time_s), at_c)


def oven_refusal(steel: Steel | None) -> str:
    """Why this steel is not tempered in this oven; empty where it is."""
    if steel is None or steel.needs_temper_c is None or steel.needs_temper_c[0] <= OVEN_C[1]:
        return ""
    low, high = steel.needs_temper_c
    return (
        f"{steel.name} is made for a temper at {low:g} to {high:g} °C, twice, in a furnace that reaches it; this oven "
        f"stops at {OVEN_C[1]:g} °C, and left like that it would be brittle in its use."
    )


def hardest_hrc(known: Known) -> float | None:
    """What this steel can be at most, as quenched or as its tables begin; None where nothing is known."""
    tops = [value for curve in (known.steel.curves if known.steel else ()) for value in curve.hardness_hrc]
    elements = known.elements or (known.steel.elements if known.steel else None)
    carbon = elements.c if elements else known.carbon[1] if known.carbon else None
    if carbon is not None:
        tops.append(hardness.as_quenched_hrc(max(carbon, 0.1)))
    return max(tops) if tops else None


def _faults(known: Known, temperature_c: float | None, time_s: float | None, wanted: float | None) -> Iterable[str]:
    if (temperature_c is None) == (wanted is None):
        yield "Right is a temperature with a time, or a wanted hardness: one of the two."
        return
    if temperature_c is not None:
        if not OVEN_C[0] <= temperature_c <= NO_TEMPER_C:
            hot = temperature_c > NO_TEMPER_C
            what = "above about 710 °C steel changes again instead of being tempered; " if hot else ""
            yield f"{temperature_c:g} °C is no temper: {what}this oven tempers at {OVEN_C[0]:g} to {OVEN_C[1]:g} °C."
        if time_s is None:
            yield "A temperature needs its time; right is a number of seconds, as 3600."
    if time_s is not None and not 1.0 <= time_s <= LONGEST_S:
        yield f"{time_s:g} s is no time for a temper; right is a number of seconds from 1 to {LONGEST_S:g}."
    if wanted is not None:
        hardest = hardest_hrc(known)
        if not 20.0 <= wanted <= 68.0:
            yield f"{wanted:g} HRC is no hardness of tempered steel; right is a number from 20 to 68."
        elif hardest is not None and wanted > hardest + 2.0:
            yield f"This steel cannot have {wanted:g} HRC: as quenched it is {hardest:.0f} HRC at the most."


def _for_hardness(known: Known, wanted: float, seconds: float, refused: str) -> dict[str, Any]:
    """The hottest temper within the oven's reach that leaves the wanted hardness, by one model throughout."""
    if refused:
        return _told(Predicted(None, None, None, "known grade", refused), known.steel, None, None)
    best: tuple[float, Predicted] | None = None
    above: tuple[float, Predicted] | None = None
    softest: tuple[float, Predicted] | None = None
    temperature_c = OVEN_C[1]
    while temperature_c >= OVEN_C[0]:
        found = predict(known, temperature_c, seconds)
        if found.hardness_hrc is not None:
            softest = softest or (temperature_c, found)
            near = best is None or abs(found.hardness_hrc - wanted) < abs((best[1].hardness_hrc or 0.0) - wanted)
            if above is not None and above[1].model == found.model:
                high = above[1].hardness_hrc or 0.0
                if high <= wanted <= found.hardness_hrc:
                    share = (wanted - high) / (found.hardness_hrc - high) if found.hardness_hrc > high else 0.0
                    at_c = round(above[0] - share * (above[0] - temperature_c), 1)
                    return _told(predict(known, at_c, seconds), known.steel, at_c, seconds)
            if near:
                best = (temperature_c, found)
            above = (temperature_c, found)
        temperature_c -= 2.5
    if best is None or best[1].hardness_hrc is None or softest is None:
        nothing = predict(known, 200.0, seconds)
        return _told(nothing, known.steel, None, None)
    if abs(best[1].hardness_hrc - wanted) <= 1.0:
        return _told(best[1], known.steel, best[0], seconds)
    reason = _out_of_reach(known, wanted, seconds, softest, best)
    missed = Predicted(None, None, None, best[1].model, reason, best[1].warnings, best[1].sources, best[1].reach)
    return _told(missed, known.steel, None, None)


def _out_of_reach(
    known: Known, wanted: float, seconds: float, softest: tuple[float, Predicted], best: tuple[float, Predicted]
) -> str:
    minutes = seconds / 60.0
    if (softest[1].hardness_hrc or 0.0) > wanted:
        for step in range(27, 66):
            further = predict(known, 10.0 * step, seconds)
            if further.hardness_hrc is not None and further.hardness_hrc <= wanted:
                break
        else:
            left = f"{softest[0]:g} °C for {minutes:g} min leaves about {softest[1].hardness_hrc:.0f} HRC"
            return f"{wanted:g} HRC is softer than this oven reaches: {left}."
        return (
            f"For {wanted:g} HRC this steel needs about {10.0 * step:g} °C for {minutes:g} min; this oven stops at "
            f"{OVEN_C[1]:g} °C, which leaves about {softest[1].hardness_hrc:.0f} HRC."
        )
    return (
        f"The models do not reach {wanted:g} HRC: the coldest temper they answer for, {best[0]:g} °C for "
        f"{minutes:g} min, leaves about {best[1].hardness_hrc:.0f} HRC. Temper colder and test."
    )


def _told(found: Predicted, steel: Steel | None, temperature_c: float | None, time_s: float | None) -> dict[str, Any]:
    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 1)

    warnings = list(found.warnings)
    if steel is not None and steel.twice:
        warnings.append(f"{steel.name} is always tempered twice, cooled to the hand between.")
    if temperature_c is not None and temperature_c > OVEN_C[1]:
        warnings.append(f"This oven stops at {OVEN_C[1]:g} °C.")
    if steel is not None and temperature_c is not None:
        warnings += brittle(steel, temperature_c)
    if found.low_hrc is not None and found.low_hrc < 20.0:
        warnings.append("Below 20 HRC the Rockwell C scale is carried on and means little.")
    return {
        "hardness_hrc": rounded(found.hardness_hrc),
        "low_hrc": rounded(found.low_hrc),
        "high_hrc": rounded(found.high_hrc),
        "hardness_hv": _hv(found.hardness_hrc),
        "model": found.model,
        "reach": found.reach,
        "warnings": warnings,
        "sources": list(found.sources),
        "tables": [asdict(one) for one in found.tables],
        "temperature_c": temperature_c,
        "time_s": time_s,
        "reason": found.reason,
        "notes": [colour_note(temperature_c, time_s)] if temperature_c is not None and time_s else [],
    }


def _hv(hrc: float | None) -> float | None:
    """Whole HV by ASTM E140, where it is defined."""
    return None if hrc is None or not LOWEST_HRC <= hrc <= HIGHEST_HRC else round(hv_of_hrc(hrc))


def brittle(steel: Steel, temperature_c: float) -> list[str]:
    """A sentence where the temper lies in the grade's embrittlement range or at its edge."""
    span = re.search(r"(\d+) to (\d+) °C", steel.embrittlement)
    if span is None or "none" in steel.embrittlement:
        return []
    low, high = float(span[1]), float(span[2])
    if low - 5.0 <= temperature_c <= high:
        return [
            f"{temperature_c:g} °C is {'in' if temperature_c > low else 'at the edge of'} the range in which "
            f"{steel.name} turns brittle ({low:g} to {high:g} °C): not for struck tools if another temper will do."
        ]
    return []
