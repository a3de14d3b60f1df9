"""The board twin's thermocouples: limits in force, bad samples, heater-off of the tank (design chapter 5).

Temperatures are hundredths of °C on the chip's own scale; times are milliseconds since the boot. Zone 0 is
the oven with sensors 0 and 1, zone 1 the tank with sensors 2 and 3; sensor 4 sits on the part and trips
nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

from ..model import FITTED_OVEN, FITTED_TANK

OVEN_FLASH: Final = 31_000
TANK_FLASH: Final = 11_000
LOWEST_LIMIT: Final = 3_000
FLASH: Final = (OVEN_FLASH, TANK_FLASH, TANK_FLASH)
"""The constants of oven trip, tank heater-off and tank trip; the limit in force is never above them."""

SAMPLE_MS: Final = 200
SENSOR_GOOD_MS: Final = 30_000
OFF_CLEARS: Final = 300
TRIP_CLEARS: Final = 2_000
OVER_OVEN, OVER_TANK, SENSOR_OVEN, SENSOR_TANK = 1, 2, 4, 8
LIMITS_OF_ZONE: Final = (0b001, 0b110)
_TWENTY: Final = (1 << 20) - 1


class Sample(NamedTuple):
    """What the converters say: hundredths of °C on the chip's own scale, and a letter a sensor.

    `values` and `faults` stand in the order of `model.SENSORS`; a letter is `-` when the value is good, else
    one of `OGVRX`. What is said of a sensor that is not fitted is ignored. `cold` is the cold junction.
    """

    values: tuple[int, int, int, int, int]
    faults: str
    cold: int


class Sensors:
    """What is known of the two zones' temperatures since the boot, and the limits that the host has set."""

    __slots__ = (
        "_calm", "_good_letters", "_history", "_last_bad_ms", "_over", "_sensors", "_value", "hot", "limit",
        "limits_set", "tank_heard", "zone_fitted", "zone_good",
    )  # fmt: skip

    def __init__(self, fitted: int) -> None:
        self.zone_fitted = (bool(fitted & FITTED_OVEN), bool(fitted & FITTED_TANK))
        self._sensors = tuple(
            tuple(sensor for sensor in (2 * zone, 2 * zone + 1) if fitted >> sensor & 1) if wired else ()
            for zone, wired in enumerate(self.zone_fitted)
        )
        self._good_letters = "".join("-" if fitted >> sensor & 1 else "N" for sensor in range(5))
        self.limit = list(FLASH)
        self.limits_set = 0
        self.zone_good = [False, False]
        self.hot = False
        """The tank's heater-off limit was reached and the oil is not 3 °C below it yet."""
        self.tank_heard = -(1 << 31)
        """The last good temperature of the tank, the higher of its sensors'."""
        self._over = [0] * 4
        self._history = [0] * 4
        self._value: list[int | None] = [None] * 5
        self._last_bad_ms = [0, 0]
        self._calm = False
        """No sensor has a count that a good sample below every limit would have to change."""

    def has_limits(self, zone: int) -> bool:
        """Every limit of the zone was set since the boot."""
        return not LIMITS_OF_ZONE[zone] & ~self.limits_set

    def in_force(self, which: int) -> int:
        """The lower of the host's limit and the constant."""
        return min(self.limit[which], FLASH[which])

    def take(self, now: int, values: tuple[int, ...], faults: str, had_heat: Callable[[int], bool]) -> int:
        """One sample of all, with the letter `N` and 0 where none is fitted. The trips that come of it.

        `had_heat` says of a zone whether it had heat within the last 120 s.
        """
        limit = self.limit
        if self._calm and faults == self._good_letters:
            oven, oven_limit, tank, tank_limit, _ = values
            off = limit[1]
            if oven < limit[0] > oven_limit and tank < off > tank_limit and off <= limit[2]:
                self._value[:] = values
                self.tank_heard = tank if tank > tank_limit else tank_limit
                return 0
        raised = 0
        for zone in (0, 1):
            good = self.zone_fitted[zone]
            for sensor in self._sensors[zone]:
                letter = faults[sensor]
                good = good and letter == "-"
                self._value[sensor] = values[sensor] if letter == "-" else None
                raised |= self._count(zone, sensor, had_heat)
            if not good:
                self._last_bad_ms[zone] = now
            self.zone_good[zone] = good
        self._tank_off()
        self._calm = not (self.hot or any(self._over) or any(self._history)) and faults == self._good_letters
        return raised

    def _count(self, zone: int, sensor: int, had_heat: Callable[[int], bool]) -> int:
        """Count one sensor's sample; the trip bits that come of it."""
        value = self._value[sensor]
        counted_bad = value is None and had_heat(zone)
        history = self._history[sensor] = (self._history[sensor] << 1 | counted_bad) & _TWENTY
        if value is None:
            latch = counted_bad and (history & 7 == 7 or history.bit_count() >= 5)
            return SENSOR_OVEN << zone if latch else 0
        if value < self.in_force(2 * zone):
            self._over[sensor] = 0
            return 0
        self._over[sensor] += 1
        return OVER_OVEN << zone if self._over[sensor] >= 2 else 0

    def _tank_off(self) -> None:
        """The tank's heater-off limit: at once, and until all its good sensors are 3 °C below."""
        heard = self._heard(1)
        if not heard:
            return
        self.tank_heard = max(heard)
        off = self.in_force(1)
        self.hot = self.tank_heard >= off or (self.hot and self.tank_heard > off - OFF_CLEARS)

    def _heard(self, zone: int) -> list[int]:
        """What the zone's good sensors said last."""
        values = (self._value[sensor] for sensor in self._sensors[zone])
        return [value for value in values if value is not None]

    def cause_gone(self, bit: int, now: int) -> bool:
        """Whether a trip of these sensors may be cleared; one of a zone that is no longer fitted may."""
        zone = 0 if bit in (OVER_OVEN, SENSOR_OVEN) else 1
        if not self.zone_fitted[zone]:
            return True
        if bit in (OVER_OVEN, OVER_TANK):
            heard = self._heard(zone)
            return bool(heard) and max(heard) <= self.in_force(2 * zone) - TRIP_CLEARS
        return self.zone_good[zone] and now - self._last_bad_ms[zone] >= SENSOR_GOOD_MS
