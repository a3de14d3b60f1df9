"""The simulated oven: elements, air, walls, shell, door glass, rack, a load, cold steel added, a thermostat.

Lumped nodes, temperatures in °C (radiation in K), flows in W. Each pair of nodes exchanges one and the same
flow in a step, so that energy is kept. The integrator is Heun's, except for the air: its time constant falls
from 4 s to half a second with the door open, where Heun's method at this step would swing. So the air takes
an exponential step and the others see its mean over the step.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from random import Random
from typing import Final

from ..model import LoadItem
from .oven_parameters import NOTHING, STEEL_KG_PER_M3, OvenParameters, Steel, load_j_per_kg

SIGMA: Final = 5.670374419e-8
"""Stefan-Boltzmann constant, W/(m² K⁴)."""
ZERO_C_IN_K: Final = 273.15
STEP_S: Final = 0.5
STEEL_W_PER_M_K: Final = 45.0
STEEL_J_PER_KG_K: Final = 490.0
AIR_J_PER_M3: Final = 353.0 * 1020.0
"""The density of air is 353/T kg/m³ (T in K), its heat capacity 1020 J/(kg K)."""
GLASS_J_PER_M3_K: Final = 2500.0 * 840.0
"""From memory."""
RACK_M2_PER_KG: Final = 0.25
"""Assumed: both faces of a thin tray and its wires."""
WALL_SEES_RACK, WALL_SEES_GLASS, DOOR_EMISSIVITY = 0.35, 0.85, 0.8
"""Shares of rack, glass and door area that exchange radiation; the first two assumed."""
MAINS_PERIOD_S: Final = 10.0
MAINS_MEMORY_S: Final = 300.0
_MAINS_KEPT: Final = math.exp(-MAINS_PERIOD_S / MAINS_MEMORY_S)
_MAINS_NEW: Final = math.sqrt(1.0 - _MAINS_KEPT * _MAINS_KEPT)


class Oven:
    """An oven at `start_c` in a room at `ambient_c`. `step` moves it; everything else is to be set and read.

    Set freely: `door_open`, `elements_open` (the share of the elements that no longer heats), `mains_step`
    (a factor on the voltage), `thermostat_dial_c` (None: at its maximum), `timer_out`.
    """

    def __init__(
        self, parameters: OvenParameters, rng: Random, start_c: float = 20.0, ambient_c: float = 20.0
    ) -> None:
        self.parameters = parameters
        self.ambient_c = ambient_c
        self.element_c = self.air_c = self.wall_c = self.shell_c = start_c
        self.glass_c = self.rack_c = self.load_c = self.added_c = self.thermostat_c = start_c
        self.door_open = False
        self.elements_open = 0.0
        self.mains_step = 1.0
        self.thermostat_dial_c: float | None = None
        self.timer_out = False
        self.energy_in_j = 0.0
        self.energy_lost_j = 0.0
        self.power_w = 0.0
        self.element_k4 = (start_c + ZERO_C_IN_K) ** 4
        self.load_w = 0.0
        self.thermostat_closed = True
        self._rng = rng
        self._drift = 0.0
        self._mains_in_s = 0.0
        self._full_w = 0.0
        self._load: Steel | None = None
        self._added: Steel | None = None
        self._capacities()
        self._couplings()

    # --- what is in it -----------------------------------------------------------------------------------

    def set_load(self, items: Iterable[LoadItem], at_c: float | None = None) -> None:
        """Put this load in, in place of what was there, at `at_c` (None: as warm as the room)."""
        listed = tuple(items)
        self._load = Steel.of(listed, self.parameters) if listed else None
        self._added = None
        self.load_c = self.ambient_c if at_c is None else at_c
        self.load_w = 0.0
        self._couplings()

    def add_cold(self, mass_kg: float, section_mm: float = 20.0) -> None:
        """Lay more steel beside the load, as warm as the room; 0 kg takes it out again."""
        item = LoadItem(mass_kg, section_mm)
        self._added = Steel.of((item,), self.parameters) if mass_kg > 0.0 else None
        self.added_c = self.ambient_c
        self._couplings()

    @property
    def has_load(self) -> bool:
        return self._load is not None

    @property
    def core_c(self) -> float:
        """The middle of the load: quasi-steady conduction in a slab."""
        return self._inside(-1.0 / 6.0)

    @property
    def surface_c(self) -> float:
        return self._inside(1.0 / 3.0)

    def _inside(self, share: float) -> float:
        steel = self._load
        if steel is None:
            return self.air_c
        return self.load_c + share * self.load_w / steel.area_m2 * steel.half_section_m / STEEL_W_PER_M_K

    # --- coefficients ------------------------------------------------------------------------------------

    def _capacities(self) -> None:
        """A box of 1.35 : 1 : 0.75, the door its wide front, glass in three quarters of the door."""
        p = self.parameters
        side = math.pow(p.volume_l / 1000.0 / (1.35 * 0.75), 1.0 / 3.0)
        self._front_m2 = 1.35 * 0.75 * side * side
        self._glass_m2 = 0.75 * self._front_m2
        self._wall_m2 = 2.0 * (1.35 + 0.75 + 1.35 * 0.75) * side * side - self._glass_m2
        steel_j_per_m3_k = STEEL_KG_PER_M3 * STEEL_J_PER_KG_K
        self._air_j = AIR_J_PER_M3 * p.volume_l / 1000.0
        self._wall_j_per_k = steel_j_per_m3_k * p.wall_mm / 1000.0 * self._wall_m2
        self._shell_j_per_k = steel_j_per_m3_k * p.shell_mm / 1000.0 * 1.35 * self._wall_m2
        self._glass_j_per_k = GLASS_J_PER_M3_K * p.glass_mm / 1000.0 * self._glass_m2
        self._rack_j_per_k = STEEL_J_PER_KG_K * p.rack_kg

    def _couplings(self) -> None:
        """All that stays the same while the load does, in the order in which `_rates` unpacks it."""
        p = self.parameters
        load, added = self._load or NOTHING, self._added or NOTHING
        element = p.element_emissivity * SIGMA * p.element_m2
        view = load.view + added.view
        rack_view, glass_view = 0.10 * (1.0 - view), 0.08 * (1.0 - view)
        inside, rack_m2 = p.inside_w_per_m2_k, RACK_M2_PER_KG * p.rack_kg
        self._convection = (
            inside * p.element_m2, inside * self._wall_m2, inside * self._glass_m2, inside * rack_m2,
            inside * load.area_m2, inside * added.area_m2,
        )  # fmt: skip
        self._k = (
            element * (1.0 - view - rack_view - glass_view), element * glass_view, element * rack_view,
            element * load.view, element * added.view,
            SIGMA * p.load_emissivity * load.area_m2, SIGMA * p.load_emissivity * added.area_m2,
            SIGMA * WALL_SEES_RACK * rack_m2, SIGMA * WALL_SEES_GLASS * self._glass_m2,
            *self._convection,
            p.wall_shell_w_per_m2_k * self._wall_m2, p.shell_w_per_m2_k * 1.35 * self._wall_m2,
            p.glass_w_per_m2_k * self._glass_m2, p.rack_load_w_per_k if load.mass_kg else 0.0,
            1.0 / p.element_j_per_k, 1.0 / self._wall_j_per_k, 1.0 / self._shell_j_per_k,
            1.0 / self._glass_j_per_k, 1.0 / self._rack_j_per_k,
            1.0 / load.mass_kg if load.mass_kg else 0.0, 1.0 / added.mass_kg if added.mass_kg else 0.0,
            self.ambient_c,
        )  # fmt: skip

    # --- time --------------------------------------------------------------------------------------------

    def step(self, on_s: float) -> None:
        """`STEP_S` pass, during which the relay let current through for `on_s`."""
        dt = STEP_S
        room = self.ambient_c
        e, a, w, s = self.element_c, self.air_c, self.wall_c, self.shell_c
        g, r, p, q = self.glass_c, self.rack_c, self.load_c, self.added_c
        e4 = (k := e + 273.15) * k * k * k
        w4 = (k := w + 273.15) * k * k * k
        g4 = (k := g + 273.15) * k * k * k
        r4 = (k := r + 273.15) * k * k * k
        p4 = (k := p + 273.15) * k * k * k
        q4 = (k := q + 273.15) * k * k * k
        power = self._heat(on_s)
        leak, door = self.parameters.leak_w_per_k, 0.0
        if self.door_open:
            leak += self.parameters.door_w_per_k
            door = DOOR_EMISSIVITY * SIGMA * self._front_m2
        he, hw, hg, hr, hp, hq = self._convection
        all_air = he + hw + hg + hr + hp + hq + leak
        pace = all_air * dt / self._air_j
        x = pace * (a + 273.15)
        fade = math.exp(-x)
        early = (1.0 - fade) / x
        balance = (he * e + hw * w + hg * g + hr * r + hp * p + hq * q + leak * room) / all_air
        de, dw, ds, dg, dr, dp, dq, _, _ = _rates(
            self._k, power, leak, door, e, balance + (a - balance) * early, w, s, g, r, p, q,
            e4, w4, g4, r4, p4, q4,
        )  # fmt: skip
        half = 0.5 * dt
        em, wm, gm, rm = e + half * de, w + half * dw, g + half * dg, r + half * dr
        pm, qm = p + half * dp, q + half * dq
        balance = (he * em + hw * wm + hg * gm + hr * rm + hp * pm + hq * qm + leak * room) / all_air
        x = pace * (0.5 * (a + balance + (a - balance) * fade) + 273.15)
        fade = math.exp(-x)
        air = balance + (a - balance) * (1.0 - fade) / x
        e4 = 0.5 * (e4 + (k := em + half * de + 273.15) * k * k * k)
        w4 = 0.5 * (w4 + (k := wm + half * dw + 273.15) * k * k * k)
        g4 = 0.5 * (g4 + (k := gm + half * dg + 273.15) * k * k * k)
        r4 = 0.5 * (r4 + (k := rm + half * dr + 273.15) * k * k * k)
        p4 = 0.5 * (p4 + (k := pm + half * dp + 273.15) * k * k * k)
        q4 = 0.5 * (q4 + (k := qm + half * dq + 273.15) * k * k * k)
        de, dw, ds, dg, dr, dp, dq, lost, self.load_w = _rates(
            self._k, power, leak, door, em, air, wm, s + half * ds, gm, rm, pm, qm,
            e4, w4, g4, r4, p4, q4,
        )  # fmt: skip
        self.element_c = e + dt * de
        self.air_c = balance + (a - balance) * fade
        self.wall_c = w + dt * dw
        self.shell_c = s + dt * ds
        self.glass_c = g + dt * dg
        self.rack_c = r + dt * dr
        self.load_c = p + dt * dp
        self.added_c = q + dt * dq
        self.element_k4 = e4
        self.energy_in_j += dt * power
        self.energy_lost_j += dt * lost
        self.thermostat_c += (air - self.thermostat_c) * dt / self.parameters.thermostat_s

    def _heat(self, on_s: float) -> float:
        """Mean power of the elements in this step, W. The mains wander; the oven's own thermostat acts."""
        p = self.parameters
        self._mains_in_s -= STEP_S
        if self._mains_in_s < 0.0:
            self._mains_in_s += MAINS_PERIOD_S
            self._drift = _MAINS_KEPT * self._drift + p.mains_drift * _MAINS_NEW * self._rng.gauss(0.0, 1.0)
            volts = p.mains_ratio * (1.0 + self._drift)
            self._full_w = p.heater_w * volts * volts
        dial_c = p.thermostat_c if self.thermostat_dial_c is None else self.thermostat_dial_c
        if self.thermostat_c >= dial_c:
            self.thermostat_closed = False
        elif self.thermostat_c < dial_c - p.thermostat_differential_c:
            self.thermostat_closed = True
        power = 0.0
        if on_s > 0.0 and self.thermostat_closed and not self.timer_out:
            share = on_s / STEP_S * (1.0 - self.elements_open)
            power = self._full_w * self.mains_step * self.mains_step * share
        self.power_w = power
        return power

    def stored_j(self) -> float:
        """Heat in all nodes, as a function of their temperatures alone; only differences mean something."""
        stored = self.parameters.element_j_per_k * self.element_c
        stored += self._air_j * math.log(self.air_c + ZERO_C_IN_K)
        stored += self._wall_j_per_k * self.wall_c + self._shell_j_per_k * self.shell_c
        stored += self._glass_j_per_k * self.glass_c + self._rack_j_per_k * self.rack_c
        for steel, t_c in ((self._load, self.load_c), (self._added, self.added_c)):
            if steel is not None:
                stored += steel.mass_kg * load_j_per_kg(t_c)
        return stored


# fmt: off
def _rates(
    coefficients: tuple[float, ...], power: float, leak: float, door: float,
    e: float, a: float, w: float, s: float, g: float, r: float, p: float, q: float,
    e4: float, w4: float, g4: float, r4: float, p4: float, q4: float,
) -> tuple[float, float, float, float, float, float, float, float, float]:
    # fmt: on
    """K/s of element, wall, shell, glass, rack, load and added steel; then W lost and W into the load.

    `a` is the air's mean over the step; names ending in 4 are fourth powers of kelvins.
    """
    (few, feg, fer, fep, feq, fwp, fwq, fwr, fwg, he, hw, hg, hr, hp, hq,
     kws, ksx, kgx, krp, ie, iw, ishell, ig, ir, ip, iq, room) = coefficients  # fmt: skip
    to_wall, to_glass, to_rack = few * (e4 - w4), feg * (e4 - g4), fer * (e4 - r4)
    to_load, to_added = fep * (e4 - p4), feq * (e4 - q4)
    wall_load, wall_added = fwp * (w4 - p4), fwq * (w4 - q4)
    wall_rack, wall_glass = fwr * (w4 - r4), fwg * (w4 - g4)
    element_air = he * (e - a)
    wall_shell, shell_room, glass_room, rack_load = (
        kws * (w - s),
        ksx * (s - room),
        kgx * (g - room),
        krp * (r - p),
    )
    out = 0.0
    if door:
        k = room + 273.15
        out = door * (w4 - k * k * k * k)
    load = to_load + hp * (a - p) + wall_load + rack_load
    added = to_added + hq * (a - q) + wall_added
    return (
        ie * (power - to_wall - to_glass - to_rack - to_load - to_added - element_air),
        iw * (to_wall + hw * (a - w) - wall_load - wall_added - wall_rack - wall_glass - wall_shell - out),
        ishell * (wall_shell - shell_room),
        ig * (to_glass + hg * (a - g) + wall_glass - glass_room),
        ir * (to_rack + hr * (a - r) + wall_rack - rack_load),
        ip * load / (450.0 + 0.40 * (p - 20.0)),
        iq * added / (450.0 + 0.40 * (q - 20.0)),
        shell_room + glass_room + leak * (a - room) + out,
        load,
    )
