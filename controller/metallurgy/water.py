"""Boiling water: the second point of a two-point calibration, and a bound on how hot oil may get.

Saturation: IAPWS-IF97, region 4, backward equation T(p) (IAPWS R7-97(2012), equation 31 and table 34).
Air pressure: the standard atmosphere, troposphere (ISO 2533). The weather moves the pressure by about 3 kPa,
the boiling point by about 0.8 K; a station's own pressure is better than the altitude, one reduced to sea
level is wrong.
"""

from __future__ import annotations

import math
from typing import Final

STANDARD_PRESSURE_PA: Final = 101_325.0
TROPOPAUSE_M: Final = 11_000.0
LOWEST_ALTITUDE_M: Final = -500.0
"""Below the shores of the Dead Sea."""

_SATURATION: Final = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip
_LOWEST_PA, _HIGHEST_PA = 611.213, 22.064e6
"""Range of the equation: 0 °C to the critical point."""


def saturation_c(pressure_pa: float) -> float:
    """The temperature at which pure water boils under `pressure_pa`; `ValueError` outside 611 Pa..22 MPa."""
    if not _LOWEST_PA <= pressure_pa <= _HIGHEST_PA:
        raise ValueError(f"water boils between 611 Pa and 22 MPa, not at {pressure_pa} Pa")
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _SATURATION
    beta = math.sqrt(math.sqrt(pressure_pa / 1e6))
    e = beta * beta + n3 * beta + n6
    f = n1 * beta * beta + n4 * beta + n7
    g = n2 * beta * beta + n5 * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    return (n10 + d - math.sqrt((n10 + d) * (n10 + d) - 4.0 * (n9 + n10 * d))) / 2.0 - 273.15


def air_pressure_pa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere; `ValueError` outside -500..11,000 m."""
    if not LOWEST_ALTITUDE_M <= altitude_m <= TROPOPAUSE_M:
        raise ValueError(f"an altitude is a number of metres from -500 to 11000, not {altitude_m}")
    return STANDARD_PRESSURE_PA * math.pow(1.0 - 0.0065 * altitude_m / 288.15, 5.255876)


def boiling_point_c(altitude_m: float) -> float:
    """The boiling point of pure water in the standard atmosphere; `ValueError` outside -500..11,000 m."""
    return saturation_c(air_pressure_pa(altitude_m))
