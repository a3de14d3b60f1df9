"""The plans, from a checked body to JSON values. Faults of a plan are ValueErrors, a sentence a line."""

from __future__ import annotations

from typing import Any

from controller.metallurgy.harden_plan import plan_harden
from controller.metallurgy.hardenability import MEDIA
from controller.metallurgy.ladder import ONE_FILE, ORIGINS
from controller.metallurgy.quench import PART_C
from controller.metallurgy.quench_plan import plan_quench
from controller.metallurgy.sheet import Tank, plan_sheet
from controller.metallurgy.temper_plan import plan_temper
from controller.metallurgy.uses import uses

from .parts import Parts
from .steel import known_of
from .steel_bodies import HardenPlanBody, QuenchPlanBody, SheetBody, TemperPlanBody


def choices() -> dict[str, Any]:
    """What the plans know by name."""
    return {"uses": uses(), "origins": list(ORIGINS), "media": list(MEDIA), "one_file": list(ONE_FILE)}


def temper(body: TemperPlanBody, parts: Parts) -> dict[str, Any]:
    known = known_of(body, parts.catalogue, parts.book)
    return plan_temper(
        known, temperature_c=body.temperature_c, time_s=body.time_s, hardness_hrc=body.hardness_hrc
    )  # fmt: skip


def harden(body: HardenPlanBody, parts: Parts) -> dict[str, Any]:
    known = known_of(body, parts.catalogue, parts.book)
    elements = known.elements or (known.steel.elements if known.steel else None)
    if elements is None:
        raise ValueError("Of this stock neither grade nor composition is known; right is a plan sheet, or a ladder.")
    return plan_harden(
        known.steel, elements, body.section_mm, quench=body.quench, agitation=body.agitation, flat=body.flat,
        temper_c=body.temper_c,
    )  # fmt: skip


def quench(body: QuenchPlanBody, parts: Parts) -> dict[str, Any]:
    """The shop's own tank, as it is now, for what is left out."""
    own = parts.catalogue.own_tank
    now = parts.desk.snapshot()[0].tank
    oil_c = body.oil_c if body.oil_c is not None else now.temperature_c
    volume_l = body.volume_l if body.volume_l is not None else (own.volume_l if own else None)
    if body.oil is not None:
        oil, refusal = parts.catalogue.oil(body.oil)
    elif own is not None and own.oil is not None:
        oil, refusal = own.oil, own.refusal
    else:
        raise ValueError("oil is missing, and this shop has none of its own; right is the name of an oil.")
    wanted = (("volume_l", "litres of oil", volume_l), ("oil_c", "the oil's temperature in °C", oil_c))
    lacking = [(name, what) for name, what, value in wanted if value is None]
    missing = [f"{name} is missing, and not known here; right is {what}." for name, what in lacking]
    if missing or volume_l is None or oil_c is None:
        raise ValueError("\n".join(missing))
    return plan_quench(
        oil, volume_l, oil_c, body.mass_kg, PART_C if body.part_c is None else body.part_c,
        count=round(body.count), altitude_m=own.altitude_m if own else 0.0, refusal=refusal,
    )  # fmt: skip


def sheet(body: SheetBody, parts: Parts) -> dict[str, Any]:
    known = known_of(body, parts.catalogue, parts.book)
    now = parts.desk.snapshot()[0].tank
    tank = Tank(now.oil, now.temperature_c, now.ready) if now.oil else None
    return plan_sheet(
        known, body.section_mm, use=body.use or "", hardness_hrc=body.hardness_hrc, flat=body.flat,
        quench=body.quench, tank=tank,
    )  # fmt: skip
