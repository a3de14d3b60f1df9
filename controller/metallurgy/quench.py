"""How much a quench warms the oil: the enthalpy of steel, given to the oil and the tank.

The adiabatic figure is the safe one: when the oil is stirred the reading peaks at about 0.83 of it
(simulated); unstirred, the upper layer passes it.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

# Carbon steel, kJ/kg from 0 °C (from memory; checked only against the trade's rule of a US gallon a pound).
_ENTHALPY_KJ_PER_KG: Final = (
    (0.0, 0.0), (100.0, 48.0), (200.0, 98.0), (300.0, 151.0), (400.0, 208.0), (500.0, 269.0), (600.0, 337.0),
    (700.0, 414.0), (750.0, 489.0), (800.0, 541.0), (850.0, 573.0), (900.0, 604.0), (1000.0, 666.0),
)  # fmt: skip
PART_C: Final = 845.0


def steel_enthalpy_kj_per_kg(t_c: float) -> float:
    """Of carbon steel above 0 °C, kJ/kg, straight between the table's points; ends are held."""
    table = _ENTHALPY_KJ_PER_KG
    if t_c <= table[0][0]:
        return 0.0
    for (low_c, low), (high_c, high) in pairwise(table):
        if t_c <= high_c:
            return low + (high - low) * (t_c - low_c) / (high_c - low_c)
    return table[-1][1]


def oil_after_c(mass_kg: float, part_c: float, oil_c: float, heat_j_per_k: float) -> float:
    """The oil's temperature when all heat of the steel went into it, °C.

    The steel ends as warm as the oil, so the balance is solved by repeated halving between the two.
    """
    if heat_j_per_k <= 0.0:
        return part_c
    low_c, high_c = oil_c, part_c
    for _ in range(60):
        middle_c = (low_c + high_c) / 2.0
        given_j = 1000.0 * mass_kg * (steel_enthalpy_kj_per_kg(part_c) - steel_enthalpy_kj_per_kg(middle_c))
        if given_j > heat_j_per_k * (middle_c - oil_c):
            low_c = middle_c
        else:
            high_c = middle_c
    return (low_c + high_c) / 2.0
