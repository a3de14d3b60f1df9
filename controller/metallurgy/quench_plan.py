"""Quenches planned ahead: how far this steel warms this oil, how many in a row, how long between, how much oil.

Pure functions; what `plan_quench` gives is plain data for JSON. Two figures for each rise. The adiabatic one gives
all heat to the oil alone, with the smaller heat capacity of cool oil: it is the safe one, and what is allowed
rests on it. The expected one counts the tank's wall, and what the reading of a stirred tank reaches of the balance
in simulated tanks: 0.84, 0.74 to 0.92 of it (80 tanks of 4 to 20 L, nine in ten); unstirred 1.21, 1.08 to 1.33.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from controller.metallurgy.oils import too_hot_c
from controller.metallurgy.quench import PART_C, oil_after_c, steel_enthalpy_kj_per_kg
from controller.model import Oil, Reason

GALLON_PER_POUND_L_PER_KG: Final = 8.345
"""One US gallon of oil to a pound of steel (the trade's rule since 1921, published)."""
RULE_RISE_K: Final = 38.0
"""About 70 °F of rise with that rule (published)."""
STIRRED_SHARE: Final = (0.74, 0.84, 0.92)
UNSTIRRED_SHARE: Final = (1.08, 1.21, 1.33)
"""Peak reading over the heat balance of oil and wall: low, middle, high (simulated, nine in ten tanks)."""
WALL_MM: Final = 2.0
HEIGHT_TO_WIDTH: Final = 1.3
STEEL_J_PER_M3_K: Final = 7850.0 * 490.0
MANTLE_W_PER_M2_K, SURFACE_W_PER_M2_K = 9.0, 12.0
"""An upright steel cylinder in a quiet room (assumed); losses are sure to about a third."""
ROOM_C: Final = 20.0
HARDENS_FROM_C: Final = 720.0
"""Below it carbon steel has no austenite to harden (Ac1, about; from memory)."""
HEAVIEST_KG: Final = 50.0
MOST_PARTS: Final = 1000
WAIT_MAX_S: Final = 24.0 * 3600.0


@dataclass(frozen=True, slots=True)
class TankHeat:
    """What a tank of oil takes in and loses: J/K of the oil and of the wall, W/K to the room."""

    oil_j_per_k: float
    wall_j_per_k: float
    loss_w_per_k: float

    @property
    def whole_j_per_k(self) -> float:
        return self.oil_j_per_k + self.wall_j_per_k


def tank_heat(oil: Oil, volume_l: float) -> TankHeat:
    """For an upright cylinder of that many litres, filled cold."""
    width_m = math.pow(volume_l / 1000.0 / (HEIGHT_TO_WIDTH * math.pi / 4.0), 1.0 / 3.0)
    floor_m2 = math.pi / 4.0 * width_m * width_m
    mantle_m2 = math.pi * HEIGHT_TO_WIDTH * width_m * width_m
    return TankHeat(
        volume_l * oil.density_kg_per_l * oil.heat_capacity_j_per_kg_k,
        STEEL_J_PER_M3_K * WALL_MM / 1000.0 * (mantle_m2 + floor_m2),
        MANTLE_W_PER_M2_K * (mantle_m2 + floor_m2) + SURFACE_W_PER_M2_K * floor_m2,
    )


def cooling_s(heat_j_per_k: float, loss_w_per_k: float, from_c: float, to_c: float) -> float | None:
    """How long oil with its heater off takes from one temperature to another in a room of 20 °C; None: never."""
    if from_c <= to_c:
        return 0.0
    if to_c <= ROOM_C or loss_w_per_k <= 0.0:
        return None
    return heat_j_per_k / loss_w_per_k * math.log((from_c - ROOM_C) / (to_c - ROOM_C))


def heaviest_kg(oil_c: float, part_c: float, limit_c: float, heat_j_per_k: float) -> float:
    """How much steel may go in at once so that the oil stays below its limit, kg (the adiabatic figure)."""
    given_j_per_kg = 1000.0 * (steel_enthalpy_kj_per_kg(part_c) - steel_enthalpy_kj_per_kg(limit_c))
    if given_j_per_kg <= 0.0:
        return HEAVIEST_KG
    return max(0.0, min(HEAVIEST_KG, heat_j_per_k * (limit_c - oil_c) / given_j_per_kg))


def expected_rise_k(heat: TankHeat, oil_c: float, mass_kg: float, part_c: float, stirred: bool) -> tuple[float, ...]:
    """The rise the reading is likely to show, K: low, middle and high."""
    balance_k = oil_after_c(mass_kg, part_c, oil_c, heat.whole_j_per_k) - oil_c
    return tuple(share * balance_k for share in (STIRRED_SHARE if stirred else UNSTIRRED_SHARE))


def faults_of(*, volume_l: float, oil_c: float, mass_kg: float, part_c: float, count: int = 1) -> list[Reason]:
    """What is wrong with these numbers, each with what would be right; NaN and infinity are wrong."""
    reasons = []
    for code, value, low, high, unit in (
        ("volume_l", volume_l, 1.0, 400.0, "L"),
        ("oil_c", oil_c, -20.0, 250.0, "°C"),
        ("mass_kg", mass_kg, 0.001, HEAVIEST_KG, "kg"),
        ("part_c", part_c, 100.0, 1300.0, "°C"),
        ("count", float(count), 1.0, float(MOST_PARTS), ""),
    ):
        if not low <= value <= high:
            span = f"{low:g} to {high:g} {unit}".rstrip()
            reasons.append(Reason(code, f"{code} is {value:g}; right is a number from {span}."))
    if not reasons and part_c <= oil_c:
        reasons.append(Reason("part_c", f"part_c is {part_c:g}; right is a part hotter than the oil ({oil_c:g} °C)."))
    return reasons


def plan_quench(
    oil: Oil, volume_l: float, oil_c: float, mass_kg: float, part_c: float = PART_C, *,
    count: int = 1, altitude_m: float = 0.0, refusal: str = "", heat: TankHeat | None = None,
) -> dict[str, Any]:  # fmt: skip
    """One quench, and a batch of `count` parts of that mass, in this oil.

    `oil.flash_low_c` None allows nothing. `refusal`: why this oil is not used at all. `heat`: what was learned of
    this very tank. Raises ValueError for numbers that `faults_of` names. None stands where there is no answer.
    """
    if found := faults_of(volume_l=volume_l, oil_c=oil_c, mass_kg=mass_kg, part_c=part_c, count=count):
        raise ValueError(" ".join(reason.text for reason in found))
    tank = heat or tank_heat(oil, volume_l)
    limit_c = too_hot_c(oil, altitude_m)
    # The safe figure: all heat into the litres of oil, whatever was learned of the tank.
    safe_j_per_k = tank_heat(oil, volume_l).oil_j_per_k
    after_c = oil_after_c(mass_kg, part_c, oil_c, safe_j_per_k)
    rise_k = after_c - oil_c
    low_k, middle_k, high_k = expected_rise_k(tank, oil_c, mass_kg, part_c, stirred=True)
    one_l = _litres(oil, oil_c, mass_kg, part_c, limit_c)
    bath_top_c = min(oil.bath_max_c, limit_c)
    return {
        "rise_k": rise_k,
        "after_c": after_c,
        "allowed": not refusal and oil.flash_low_c is not None and after_c < limit_c,
        "reasons": [reason._asdict() for reason in _reasons(oil, oil_c, after_c, limit_c, refusal)],
        "warnings": _warnings(oil, oil_c, part_c, after_c, limit_c),
        "limit_c": limit_c,
        "expected_rise_k": middle_k,
        "expected_low_k": low_k,
        "expected_high_k": high_k,
        "unstirred_rise_k": expected_rise_k(tank, oil_c, mass_kg, part_c, stirred=False)[1],
        "heaviest_kg": heaviest_kg(oil_c, part_c, limit_c, safe_j_per_k),
        "next_in_s": _wait_s(tank, after_c, min(bath_top_c, limit_c - rise_k)),
        "volume_l": volume_l,
        "volume_needed_l": one_l,
        "rule_volume_l": GALLON_PER_POUND_L_PER_KG * mass_kg,
        "rule_rise_k": RULE_RISE_K * GALLON_PER_POUND_L_PER_KG * mass_kg / volume_l,
        "batch": plan_batch(oil, volume_l, oil_c, mass_kg, part_c, count=count, altitude_m=altitude_m, heat=heat),
        "sources": [
            "Heat balance: enthalpy of carbon steel (from memory, near the published rule of a US gallon a pound).",
            oil.source,
            "Expected rise: 80 simulated tanks, nine in ten; wall and losses assumed, waits sure to a third.",
        ],
    }


def plan_batch(
    oil: Oil, volume_l: float, oil_c: float, mass_kg: float, part_c: float = PART_C, *,
    count: int, altitude_m: float = 0.0, heat: TankHeat | None = None,
) -> dict[str, Any]:  # fmt: skip
    """`count` parts alike, one after the other: how many in a row from this oil, how long between once it is warm,
    how long all take, and the litres that would take all in a row. `between_s` None: this tank never takes one."""
    tank = heat or tank_heat(oil, volume_l)
    safe_j_per_k = tank_heat(oil, volume_l).oil_j_per_k
    limit_c = too_hot_c(oil, altitude_m)
    in_a_row = 0
    warm_c = oil_c
    while in_a_row < count:
        next_c = oil_after_c(mass_kg, part_c, warm_c, safe_j_per_k)
        if not next_c < limit_c or warm_c >= oil.bath_max_c:
            break
        warm_c = next_c
        in_a_row += 1
    # Once warm, each part waits until the oil is back where it may take one more.
    rise_k = oil_after_c(mass_kg, part_c, oil_c, safe_j_per_k) - oil_c
    start_c = min(oil.bath_max_c, limit_c - rise_k)
    between_s = _wait_s(tank, start_c + rise_k, start_c) if start_c > ROOM_C else None
    first_s = _wait_s(tank, warm_c, start_c) if start_c > ROOM_C else None
    left = count - in_a_row
    total_s: float | None = 0.0
    if left:
        total_s = None if between_s is None or first_s is None else first_s + (left - 1) * between_s
    return {
        "count": count,
        "in_a_row": in_a_row,
        "after_row_c": warm_c,
        "first_wait_s": first_s if left else 0.0,
        "between_s": between_s,
        "total_wait_s": total_s,
        "volume_for_all_l": _litres_for_row(oil, oil_c, mass_kg, part_c, count, limit_c),
        "volume_for_one_l": _litres(oil, oil_c, mass_kg, part_c, limit_c),
        "rule_volume_for_all_l": GALLON_PER_POUND_L_PER_KG * mass_kg * count,
    }


def _litres(oil: Oil, oil_c: float, mass_kg: float, part_c: float, limit_c: float) -> float | None:
    """The oil that this steel warms just to the limit; None when the oil is there already."""
    if oil_c >= limit_c:
        return None
    given_j = 1000.0 * mass_kg * (steel_enthalpy_kj_per_kg(part_c) - steel_enthalpy_kj_per_kg(limit_c))
    return max(0.0, given_j) / ((limit_c - oil_c) * oil.density_kg_per_l * oil.heat_capacity_j_per_kg_k)


def _litres_for_row(
    oil: Oil, oil_c: float, mass_kg: float, part_c: float, count: int, limit_c: float
) -> float | None:
    """The oil that takes all in a row: the last part begins in the bath range and ends below the limit."""
    ends_l = _litres(oil, oil_c, count * mass_kg, part_c, limit_c)
    begins_l = _litres(oil, oil_c, (count - 1) * mass_kg, part_c, min(limit_c, oil.bath_max_c))
    return None if ends_l is None or begins_l is None else max(ends_l, begins_l)


def _wait_s(tank: TankHeat, from_c: float, to_c: float) -> float | None:
    wait_s = cooling_s(tank.whole_j_per_k, tank.loss_w_per_k, from_c, to_c)
    return None if wait_s is None or wait_s > WAIT_MAX_S else wait_s


def _reasons(oil: Oil, oil_c: float, after_c: float, limit_c: float, refusal: str) -> list[Reason]:
    reasons = []
    if refusal:
        reasons.append(Reason("oil_refused", refusal))
    elif oil.flash_low_c is None:
        reasons.append(
            Reason("oil_unknown", f"The flash point of {oil.label or oil.name} is not known. Enter flash_point_c from "
                   "the oil's safety data sheet.")
        )  # fmt: skip
    if oil_c >= limit_c:
        text = f"The oil is at {oil_c:g} °C; it must be below {limit_c:.0f} °C to quench in."
        reasons.append(Reason("oil_hot", text))
    elif not after_c < limit_c:
        reasons.append(
            Reason("too_much_steel", f"The oil would reach {after_c:.0f} °C; below {limit_c:.0f} °C it is safe from "
                   "boiling water and the flash point. Quench less at a time, use more oil, or begin cooler.")
        )  # fmt: skip
    return reasons


def _warnings(oil: Oil, oil_c: float, part_c: float, after_c: float, limit_c: float) -> list[str]:
    told = []
    if oil_c < oil.bath_min_c:
        told.append(f"Oil below {oil.bath_min_c:g} °C is thick and cools unevenly; warm it first.")
    elif oil_c > oil.bath_max_c:
        told.append(f"The oil is over its bath range of {oil.bath_min_c:g} to {oil.bath_max_c:g} °C.")
    if part_c < HARDENS_FROM_C:
        told.append(f"At {part_c:g} °C carbon steel is not hot enough to harden.")
    if oil.bath_max_c < after_c < limit_c:
        told.append(f"Afterwards the oil is over its bath range; let it cool to {oil.bath_max_c:g} °C before the next.")
    told.append("Stir: unstirred, the upper oil gets hotter than this figure (1.06 to 1.27 times the rise, simulated).")
    return told
