"""The simulated quench tank: heater sheath, two layers of oil, the tank's wall, and a hot part as it cools.

The heater lies above the lower layer, which stays cold until the agitator mixes the two. Lumped nodes, Heun's
method; every flow is added to one node and taken from another, so that energy is kept. Temperatures in °C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random
from typing import Final

from .oil import MINERAL, VEGETABLE, OilKind, heater_w_per_m2_k, steel_c, steel_j_per_kg
from .oven_parameters import STEEL_KG_PER_M3, log_uniform

STEP_S: Final = 0.5
SHEATH_J_PER_M2_K: Final = 4000.0
SHEATH_DIAMETER_M: Final = 0.008
STEEL_J_PER_M3_K: Final = STEEL_KG_PER_M3 * 490.0
FILM_STEPS: Final = 4
"""The heater's heat transfer is worked out anew every fourth step: it moves slowly and costs much."""

STILL_LAYERS_W_PER_M2_K, OVERTURN_W_PER_M2_K = 8.0, 2500.0
"""Between the layers, by their common area: still, and when the lower one is the warmer (assumed)."""
STIRRED_KG_PER_S: Final = 0.4
"""What the agitator moves between the layers (assumed)."""
STILL_WALL_W_PER_M2_K, STIRRED_WALL_W_PER_M2_K = 30.0, 120.0
"""Oil to wall (assumed)."""

VAPOUR_C, BOILING_C = 650.0, 350.0
VAPOUR_W_PER_M2_K, BOILING_W_PER_M2_K, CONVECTION_W_PER_M2_K = 900.0, 2200.0, 350.0
"""The three stages of a quench; where one ends and the next begins is assumed."""
COOLED_K: Final = 3.0
"""A part this close to the oil is taken out."""


@dataclass(frozen=True, slots=True)
class TankParameters:
    """One tank. The defaults make a pleasant one; `draw` makes any that the ranges allow."""

    volume_l: float = 10.0
    heater_w: float = 1000.0
    heater_cm2: float = 350.0
    vegetable: bool = True
    lower_share: float = 0.25
    wall_mm: float = 1.5
    outside_w_per_m2_k: float = 9.0
    surface_w_per_m2_k: float = 12.0

    @classmethod
    def typical(cls) -> TankParameters:
        return cls()

    @classmethod
    def draw(cls, rng: Random) -> TankParameters:
        """Any tank of one gallon to twenty litres whose heater suits its oil (ranges assumed)."""
        volume_l = log_uniform(rng, 4.0, 20.0)
        heater_w = min(rng.uniform(50.0, 150.0) * volume_l, 1500.0)
        return cls(
            volume_l=volume_l,
            heater_w=heater_w,
            heater_cm2=heater_w / rng.uniform(1.0, 4.0),
            vegetable=rng.random() < 0.6,
            lower_share=rng.uniform(0.2, 0.3),
            wall_mm=rng.uniform(1.0, 3.0),
            outside_w_per_m2_k=rng.uniform(7.0, 12.0),
            surface_w_per_m2_k=rng.uniform(6.0, 15.0),
        )


class Tank:
    """A tank at `start_c` in a room at `ambient_c`.

    Set freely: `stirred`, `element_open` (the heater gives nothing), `stray_w` (heat that nobody asked for,
    into the upper layer). The tank's sensors stand in the upper layer.
    """

    def __init__(self, parameters: TankParameters, start_c: float = 20.0, ambient_c: float = 20.0) -> None:
        self.parameters = parameters
        self.oil: OilKind = VEGETABLE if parameters.vegetable else MINERAL
        self.ambient_c = ambient_c
        self.sheath_c = self.upper_c = self.lower_c = self.wall_c = start_c
        self.part_c: float | None = None
        self.stirred = False
        self.element_open = False
        self.stray_w = 0.0
        self.power_w = 0.0
        self.energy_in_j = 0.0
        self.energy_lost_j = 0.0
        self._part_kg = self._part_m2 = self._part_j_per_kg = 0.0
        self._film_w_per_k = 0.0
        self._film_in = 0
        self._film_stirred = False
        self._geometry()

    def _geometry(self) -> None:
        """An upright cylinder, 1.3 times as high as wide, filled at 20 °C."""
        p = self.parameters
        width = math.pow(p.volume_l / 1000.0 / (1.3 * math.pi / 4.0), 1.0 / 3.0)
        self._floor_m2 = math.pi / 4.0 * width * width
        mantle_m2 = math.pi * 1.3 * width * width
        self.oil_kg = self.oil.density(20.0) * p.volume_l / 1000.0
        self._upper_kg = self.oil_kg * (1.0 - p.lower_share)
        self._lower_kg = self.oil_kg * p.lower_share
        self._upper_wall_m2 = mantle_m2 * (1.0 - p.lower_share)
        self._lower_wall_m2 = mantle_m2 * p.lower_share + self._floor_m2
        wall_m2 = mantle_m2 + self._floor_m2
        self._wall_j_per_k = STEEL_J_PER_M3_K * p.wall_mm / 1000.0 * wall_m2
        self._sheath_m2 = p.heater_cm2 / 10_000.0
        self._sheath_j_per_k = SHEATH_J_PER_M2_K * self._sheath_m2
        self._outside_w_per_k = p.outside_w_per_m2_k * wall_m2
        self._surface_w_per_k = p.surface_w_per_m2_k * self._floor_m2

    def quench(self, mass_kg: float, part_c: float, section_mm: float) -> None:
        """A hot part goes in. One that is still there is taken out first."""
        self._take_out()
        self.part_c = part_c
        self._part_kg = mass_kg
        self._part_m2 = 2.0 * mass_kg / (STEEL_KG_PER_M3 * section_mm / 1000.0)
        self._part_j_per_kg = steel_j_per_kg(part_c)
        self.energy_in_j += mass_kg * self._part_j_per_kg

    def _take_out(self) -> None:
        self.energy_lost_j += self._part_kg * self._part_j_per_kg
        self.part_c = None
        self._part_kg = self._part_j_per_kg = 0.0

    # --- time --------------------------------------------------------------------------------------------

    def step(self, on_s: float) -> None:
        """`STEP_S` pass, during which the relay let current through for `on_s`."""
        dt = STEP_S
        power = 0.0 if self.element_open else self.parameters.heater_w * on_s / dt
        self.power_w = power
        self._film_in -= 1
        if self._film_in < 0 or self._film_stirred != self.stirred:
            self._film_in = FILM_STEPS - 1
            self._film_stirred = self.stirred
            self._film_w_per_k = self._sheath_m2 * heater_w_per_m2_k(
                self.oil, self.sheath_c, self.upper_c, SHEATH_DIAMETER_M, self.stirred
            )
        h, u, v, w = self.sheath_c, self.upper_c, self.lower_c, self.wall_c
        quenching = 0.0 if self.part_c is None else self._quench_w(self.part_c, u)
        dh, du, dv, dw, lost = self._rates(power, quenching, (h, u, v, w))
        ahead = (h + dt * dh, u + dt * du, v + dt * dv, w + dt * dw)
        if self.part_c is not None:
            quenching = self._cool_part(quenching, ahead[1])
        dh2, du2, dv2, dw2, lost2 = self._rates(power, quenching, ahead)
        half = 0.5 * dt
        self.sheath_c = h + half * (dh + dh2)
        self.upper_c = u + half * (du + du2)
        self.lower_c = v + half * (dv + dv2)
        self.wall_c = w + half * (dw + dw2)
        self.energy_in_j += dt * (power + self.stray_w)
        self.energy_lost_j += half * (lost + lost2)

    def _quench_w(self, part_c: float, oil_c: float) -> float:
        if part_c > VAPOUR_C:
            h = VAPOUR_W_PER_M2_K
        elif part_c > BOILING_C:
            h = BOILING_W_PER_M2_K
        else:
            h = CONVECTION_W_PER_M2_K
        return h * self._part_m2 * (part_c - oil_c)

    def _cool_part(self, now_w: float, oil_ahead_c: float) -> float:
        """Take from the part what the oil gets in this step; the flow at the step's end."""
        per_kg, s_per_kg = self._part_j_per_kg, STEP_S / self._part_kg
        ahead_w = self._quench_w(steel_c(per_kg - s_per_kg * now_w), oil_ahead_c)
        self._part_j_per_kg = per_kg - s_per_kg * 0.5 * (now_w + ahead_w)
        self.part_c = steel_c(self._part_j_per_kg)
        if self.part_c < oil_ahead_c + COOLED_K:
            self._take_out()
        return ahead_w

    def _rates(
        self, power: float, quenching: float, nodes: tuple[float, float, float, float]
    ) -> tuple[float, float, float, float, float]:
        """K/s of sheath, upper and lower oil and wall; W lost. The two layers share what they exchange."""
        h, u, v, w = nodes
        oil = self.oil
        cp_u, cp_v = oil.heat_capacity(u), oil.heat_capacity(v)
        if self.stirred:
            mixing = STIRRED_KG_PER_S * cp_u
            film = STIRRED_WALL_W_PER_M2_K
        else:
            mixing = self._floor_m2 * (OVERTURN_W_PER_M2_K if v > u else STILL_LAYERS_W_PER_M2_K)
            film = STILL_WALL_W_PER_M2_K
        heating = self._film_w_per_k * (h - u)
        down = mixing * (u - v)
        upper_wall = film * self._upper_wall_m2 * (u - w)
        lower_wall = film * self._lower_wall_m2 * (v - w)
        surface = self._surface_w_per_k * (u - self.ambient_c)
        outside = self._outside_w_per_k * (w - self.ambient_c)
        return (
            (power - heating) / self._sheath_j_per_k,
            (heating + quenching + self.stray_w - down - upper_wall - surface) / (self._upper_kg * cp_u),
            (down - lower_wall) / (self._lower_kg * cp_v),
            (upper_wall + lower_wall - outside) / self._wall_j_per_k,
            surface + outside,
        )

    def stored_j(self) -> float:
        """Heat in all nodes, as a function of their temperatures alone; only differences mean something."""
        stored = self._sheath_j_per_k * self.sheath_c + self._wall_j_per_k * self.wall_c
        stored += self._upper_kg * self.oil.j_per_kg(self.upper_c)
        stored += self._lower_kg * self.oil.j_per_kg(self.lower_c)
        return stored + self._part_kg * self._part_j_per_kg
