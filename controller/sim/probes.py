"""The five simulated thermocouples (type K) and their chips: lag, radiation, bad contact, noise, rounding.

A sample is taken every 200 ms and costs little: the chip's curve is a table of whole degrees, and the noise
comes from one table of normal deviates, entered at a place that the seed chooses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from random import Random
from typing import Final

from ..model import SENSORS
from ..thermocouple import MAX6675, MAX31855, MAX31856, shown_c
from .board_sensors import Sample
from .oven import SIGMA, STEP_S, ZERO_C_IN_K, Oven
from .oven_parameters import log_uniform
from .tank import Tank

OVEN, OVEN_LIMIT, TANK, TANK_LIMIT, PART = range(len(SENSORS))

_LOWEST_C, _HIGHEST_C = -60, 1300
"""Range of the curves; outside it a chip says `R`."""
_SPAN_K: Final = float(_HIGHEST_C - _LOWEST_C)
_DEVIATES: Final = 1 << 14
STEPS_PER_K: Final = {MAX31855: 4.0, MAX6675: 4.0, MAX31856: 128.0}
COLD_LAG_S: Final = 600.0
COLD_WARMER_C: Final = 4.0
"""The terminal block above the room, from the electronics beside it (assumed)."""
COLD_FROM_SHELL: Final = 0.03
COLD_WANDER_C: Final = 0.3
COLD_NOISE_C: Final = 0.03


@dataclass(frozen=True, slots=True)
class AirProbe:
    """A thermocouple in the oven: `tau` dT/dt = share Ta + (1 - share) Tw + gain sigma (Te4 - T4) - T."""

    lag_s: float = 5.0
    air_share: float = 0.85
    radiation_k_per_w_m2: float = 3.0e-4

    @classmethod
    def draw(cls, rng: Random) -> AirProbe:
        """A bead or 1 mm, 1.5 mm or 3 mm sheath; the share is assumed."""
        lag_s = rng.uniform(*rng.choice(((3.0, 7.0), (8.0, 16.0), (20.0, 40.0))))
        return cls(lag_s, rng.uniform(0.7, 0.95), log_uniform(rng, 1.5e-4, 1.2e-3))


@dataclass(frozen=True, slots=True)
class ProbeParameters:
    """`part_contact`: the share of the difference to the air that the part's thermocouple reads."""

    control: AirProbe = AirProbe()
    limit: AirProbe = AirProbe(12.0, 0.80, 2.5e-4)
    part_lag_s: float = 8.0
    part_contact: float = 0.01
    tank_lag_s: float = 4.0
    tank_limit_lag_s: float = 6.0
    noise_k: float = 0.15

    @classmethod
    def typical(cls, chip: int) -> ProbeParameters:
        return cls(noise_k=0.05) if chip == MAX31856 else cls()

    @classmethod
    def draw(cls, rng: Random, chip: int) -> ProbeParameters:
        return cls(
            control=AirProbe.draw(rng),
            limit=AirProbe.draw(rng),
            part_lag_s=rng.uniform(4.0, 15.0),
            part_contact=rng.uniform(0.0, 0.03),
            tank_lag_s=rng.uniform(2.0, 8.0),  # assumed: sheathed, in oil
            tank_limit_lag_s=rng.uniform(2.0, 8.0),
            noise_k=rng.uniform(0.03, 0.12) if chip == MAX31856 else rng.uniform(0.10, 0.35),
        )


@lru_cache(maxsize=8)
def _curve(chip: int) -> tuple[float, ...]:
    """What an ideal chip, its cold junction at 0 °C, shows at whole degrees from `_LOWEST_C` on, in steps."""
    steps_per_k = STEPS_PER_K[chip]
    return tuple(steps_per_k * shown_c(chip, "K", float(t), 0.0) for t in range(_LOWEST_C, _HIGHEST_C + 1))


@lru_cache(maxsize=1)
def _deviates() -> tuple[float, ...]:
    rng = Random("normal deviates")
    return tuple(rng.gauss(0.0, 1.0) for _ in range(_DEVIATES + 6))


def cold_hundredths(chip: int, cold_c: float) -> int:
    """A cold junction as a chip rounds it: steps of 1/16 °C, of 1/64 with a MAX31856."""
    if chip == MAX31856:
        return round(math.floor(cold_c * 64.0 + 0.5) / 0.64)
    return round(math.floor(cold_c * 16.0 + 0.5) * 6.25)


class Probes:
    """The sensors of one shop. `advance` after every step of the plant, `sample` whenever the board asks.

    Faults are to be set: `letters` (place -> what the chip says instead of a value), `frozen`, `reversed` and
    `shorted` (the pair reads its own terminal block), `astray` (what has slipped out of its place), `slipped` (place ->
    the share that is left of what it read over the room, where it is not pushed all the way in), `offset_k` (place
    -> how far it reads from the truth); `block_warmer_k`: how much warmer than the room the terminal block is.
    """

    def __init__(self, parameters: ProbeParameters, chip: int, rng: Random, oven: Oven, tank: Tank) -> None:
        self.parameters = parameters
        self.chip = chip
        self.letters: dict[int, str] = {}
        self.frozen: dict[int, tuple[int, int]] = {}
        self.reversed: set[int] = set()
        self.shorted: set[int] = set()
        self.astray: set[int] = set()
        self.slipped: dict[int, float] = {}
        self.offset_k: dict[int, float] = {}
        part_c = oven.load_c if oven.has_load else oven.air_c
        self.now_c = [oven.air_c, oven.air_c, tank.upper_c, tank.upper_c, part_c]
        self.before_c = list(self.now_c)
        self.block_warmer_k = COLD_WARMER_C
        self.cold_c = oven.ambient_c + COLD_WARMER_C
        self._wander_k = 0.0
        self._steps_per_k = STEPS_PER_K[chip]
        self._curve = _curve(chip)
        self._deviates = _deviates()
        self._at = rng.randrange(_DEVIATES)
        self._last = Sample((0, 0, 0, 0, 0), "-----", 0)
        p = parameters
        self._keep = tuple(
            math.exp(-STEP_S / lag_s)
            for lag_s in (p.control.lag_s, p.limit.lag_s, p.tank_lag_s, p.tank_limit_lag_s, p.part_lag_s)
        )

    # --- the plant's side --------------------------------------------------------------------------------

    def advance(self, oven: Oven, tank: Tank) -> None:
        """One step of the plant has passed."""
        p = self.parameters
        control, limit, tank_c, tank_limit_c, part = self.before_c = self.now_c
        air, wall, e4 = oven.air_c, oven.wall_c, oven.element_k4
        c, m = p.control, p.limit
        k = control + ZERO_C_IN_K
        aim_c = c.air_share * air + (1.0 - c.air_share) * wall
        aim_c += c.radiation_k_per_w_m2 * SIGMA * (e4 - k * k * k * k)
        k = limit + ZERO_C_IN_K
        aim_m = m.air_share * air + (1.0 - m.air_share) * wall
        aim_m += m.radiation_k_per_w_m2 * SIGMA * (e4 - k * k * k * k)
        aim_t = aim_u = tank.upper_c
        aim_p = oven.load_c + p.part_contact * (air - oven.load_c) if oven.has_load else air
        if self.astray or self.slipped:
            aim_c, aim_m, aim_t, aim_u, aim_p = self._stray((aim_c, aim_m, aim_t, aim_u, aim_p), oven, tank)
        kc, km, kt, ku, kp = self._keep
        self.now_c = [
            aim_c + kc * (control - aim_c),
            aim_m + km * (limit - aim_m),
            aim_t + kt * (tank_c - aim_t),
            aim_u + ku * (tank_limit_c - aim_u),
            aim_p + kp * (part - aim_p),
        ]
        self._at = at = (self._at + 1) & (_DEVIATES - 1)
        self._wander_k += STEP_S / COLD_LAG_S * (40.0 * COLD_WANDER_C * self._deviates[at] - self._wander_k)
        room = oven.ambient_c
        block = room + self.block_warmer_k + COLD_FROM_SHELL * (oven.shell_c - room) + self._wander_k
        self.cold_c += (block - self.cold_c) * STEP_S / COLD_LAG_S

    def _stray(self, aims: tuple[float, ...], oven: Oven, tank: Tank) -> list[float]:
        """A probe that has fallen out hangs in the room; one off the part, in the oven's air; one that has slipped
        towards the room is as much cooler."""
        room = oven.ambient_c
        elsewhere = (
            room + 0.05 * (oven.shell_c - room),
            room + 0.05 * (oven.shell_c - room),
            room + 0.2 * (tank.upper_c - room),
            room + 0.2 * (tank.upper_c - room),
            oven.air_c,
        )
        found = [elsewhere[i] if i in self.astray else aim for i, aim in enumerate(aims)]
        return [room + self.slipped.get(i, 1.0) * (aim - room) for i, aim in enumerate(found)]

    # --- the board's side --------------------------------------------------------------------------------

    def sample(self, share: float) -> Sample:
        """What the chips say, `share` (0..1) of the way from the last step but one to the last."""
        noise_k, curve = self.parameters.noise_k, self._curve
        at = self._at = (self._at + 6) & (_DEVIATES - 1)
        deviates = self._deviates[at : at + 6]
        cold_c = self.cold_c
        offset = self._steps_per_k * cold_c - self._from_zero(cold_c) + 0.5
        letters = None
        steps: list[int] = []
        for before_c, now_c, deviate in zip(self.before_c, self.now_c, deviates, strict=False):
            x = before_c + (now_c - before_c) * share + noise_k * deviate - _LOWEST_C
            if 0.0 <= x < _SPAN_K:
                i = int(x)
                low = curve[i]
                steps.append(math.floor(offset + low + (curve[i + 1] - low) * (x - i)))
            else:
                letters = letters or ["-"] * len(SENSORS)
                letters[len(steps)] = "R"
                steps.append(0)
        a, b, c, d, e = self._hundredths(steps)
        cold = cold_hundredths(self.chip, cold_c + COLD_NOISE_C * deviates[5])
        sample = Sample((a, b, c, d, e), "".join(letters) if letters else "-----", cold)
        if self.letters or self.frozen or self.reversed or self.shorted:
            sample = self._spoil(sample)
        self._last = sample
        return self._aged(sample) if self.offset_k else sample

    def _aged(self, sample: Sample) -> Sample:
        values = list(sample.values)
        for place, offset_k in self.offset_k.items():
            values[place] += round(4.0 * offset_k) * 25
        a, b, c, d, e = values
        return Sample((a, b, c, d, e), sample.faults, sample.cold)

    def _from_zero(self, t_c: float) -> float:
        """What the chip shows with its cold junction at 0 °C, in its own steps."""
        x = t_c - _LOWEST_C
        i = int(x)
        return self._curve[i] + (self._curve[i + 1] - self._curve[i]) * (x - i)

    def _hundredths(self, steps: list[int]) -> list[int]:
        """Steps of 1/4 °C, of 1/128 °C with a MAX31856, as the board turns them into hundredths."""
        if self.chip == MAX31856:
            return [round(n / 1.28) for n in steps]
        if self.chip == MAX6675 and min(steps) < 0:
            return [25 * max(n, 0) for n in steps]
        return [25 * n for n in steps]

    def freeze(self, place: int, on: bool) -> None:
        """The chip repeats its last word from now on; the oven's word has the cold junction in it."""
        if on:
            self.frozen[place] = (self._last.values[place], self._last.cold)
        else:
            self.frozen.pop(place, None)

    def _spoil(self, sample: Sample) -> Sample:
        values, letters, cold = list(sample.values), list(sample.faults), sample.cold
        (block,) = self._hundredths([math.floor(self._steps_per_k * self.cold_c + 0.5)])
        for place in self.shorted:
            values[place] = block
        for place in self.reversed:
            shown = 2.0 * self.cold_c - values[place] / 100.0
            (values[place],) = self._hundredths([math.floor(self._steps_per_k * shown + 0.5)])
        for place, (value, cold_then) in self.frozen.items():
            values[place] = value
            if place == OVEN:
                cold = cold_then
        for place, letter in self.letters.items():
            values[place], letters[place] = 0, letter
        a, b, c, d, e = values
        return Sample((a, b, c, d, e), "".join(letters), cold)
