"""Properties of quench oils and hot steel as the simulated tank needs them, and heat transfer from a heater.

Oil figures from memory unless said otherwise: densities and heat capacities linear in temperature (the linear
rise of cp: Fasina and Colley 2008), conductivity 0.165 W/(m K), expansion 7.5e-4 /K, viscosity of vegetable
oil from 75 cSt at 20 °C to 2.4 at 200 °C. A fast mineral oil is taken to be 0.45 times as viscous (assumed).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Final

CONDUCTIVITY_W_PER_M_K: Final = 0.165
EXPANSION_PER_K: Final = 7.5e-4
GRAVITY_M_PER_S2: Final = 9.81
STIRRED_M_PER_S: Final = 0.15

_VISCOSITY_C: Final = (0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 150.0, 200.0, 300.0)
_VISCOSITY_CST: Final = (200.0, 75.0, 35.0, 18.0, 11.5, 8.0, 4.0, 2.4, 1.2)
"""Vegetable oil; the first and last pair only carry the curve on (assumed)."""
_LOG_CST: Final = tuple(math.log(cst) for cst in _VISCOSITY_CST)

_STEEL_C: Final = (0.0, 100.0, 200.0, 300.0, 400.0, 500.0, 600.0, 700.0, 750.0, 800.0, 850.0, 900.0, 1200.0)
_STEEL_KJ: Final = (0.0, 48.0, 98.0, 151.0, 208.0, 269.0, 337.0, 414.0, 489.0, 541.0, 573.0, 604.0, 793.0)
"""Enthalpy of carbon steel, kJ/kg from 0 °C, from memory; above 900 °C carried on at 0.63 kJ/(kg K)."""


@dataclass(frozen=True, slots=True)
class OilKind:
    """Density rho0 + rho1 (t - 15) in kg/m³, heat capacity cp0 + cp1 (t - cp_at) in J/(kg K)."""

    density_kg_per_m3: float
    density_slope: float
    heat_j_per_kg_k: float
    heat_slope: float
    heat_at_c: float
    viscosity_factor: float

    def density(self, t_c: float) -> float:
        return self.density_kg_per_m3 + self.density_slope * (t_c - 15.0)

    def heat_capacity(self, t_c: float) -> float:
        return self.heat_j_per_kg_k + self.heat_slope * (t_c - self.heat_at_c)

    def j_per_kg(self, t_c: float) -> float:
        """Enthalpy, the integral of the heat capacity; only differences mean something."""
        above_k = t_c - self.heat_at_c
        return above_k * (self.heat_j_per_kg_k + 0.5 * self.heat_slope * above_k)

    def viscosity_m2_per_s(self, t_c: float) -> float:
        """Kinematic, by interpolation of its logarithm."""
        t = min(max(t_c, _VISCOSITY_C[0]), _VISCOSITY_C[-1] - 1e-9)
        i = bisect_right(_VISCOSITY_C, t) - 1
        share = (t - _VISCOSITY_C[i]) / (_VISCOSITY_C[i + 1] - _VISCOSITY_C[i])
        return 1e-6 * self.viscosity_factor * math.exp(_LOG_CST[i] + share * (_LOG_CST[i + 1] - _LOG_CST[i]))


VEGETABLE: Final = OilKind(920.0, -0.65, 1950.0, 2.7, 20.0, 1.0)
MINERAL: Final = OilKind(860.0, -0.64, 1850.0, 3.6, 15.0, 0.45)


def heater_w_per_m2_k(oil: OilKind, sheath_c: float, oil_c: float, diameter_m: float, stirred: bool) -> float:
    """From a horizontal tube to still oil (Churchill and Chu) or stirred oil (Churchill and Bernstein)."""
    film_c = 0.5 * (sheath_c + oil_c)
    viscosity = oil.viscosity_m2_per_s(film_c)
    diffusivity = CONDUCTIVITY_W_PER_M_K / (oil.density(film_c) * oil.heat_capacity(film_c))
    prandtl = viscosity / diffusivity
    rise_k = max(abs(sheath_c - oil_c), 0.1)
    rayleigh = GRAVITY_M_PER_S2 * EXPANSION_PER_K * rise_k * diameter_m**3 / (viscosity * diffusivity)
    spread = math.pow(1.0 + math.pow(0.559 / prandtl, 9.0 / 16.0), 8.0 / 27.0)
    nusselt = math.pow(0.60 + 0.387 * math.pow(rayleigh, 1.0 / 6.0) / spread, 2.0)
    if stirred:
        reynolds = STIRRED_M_PER_S * diameter_m / viscosity
        forced = 0.62 * math.sqrt(reynolds) * math.pow(prandtl, 1.0 / 3.0)
        forced /= math.pow(1.0 + math.pow(0.4 / prandtl, 2.0 / 3.0), 0.25)
        forced *= math.pow(1.0 + math.pow(reynolds / 282_000.0, 0.625), 0.8)
        nusselt = max(nusselt, 0.3 + forced)
    return nusselt * CONDUCTIVITY_W_PER_M_K / diameter_m


def _interpolate(xs: tuple[float, ...], ys: tuple[float, ...], x: float) -> float:
    i = min(max(bisect_right(xs, x) - 1, 0), len(xs) - 2)
    return ys[i] + (x - xs[i]) * (ys[i + 1] - ys[i]) / (xs[i + 1] - xs[i])


def steel_j_per_kg(t_c: float) -> float:
    """Enthalpy of carbon steel from 0 °C."""
    return 1000.0 * _interpolate(_STEEL_C, _STEEL_KJ, t_c)


def steel_c(j_per_kg: float) -> float:
    """The temperature at which carbon steel has this enthalpy."""
    return _interpolate(_STEEL_KJ, _STEEL_C, j_per_kg / 1000.0)
