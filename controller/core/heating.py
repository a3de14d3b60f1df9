"""The loops: simple-pid, always given its time step, its limits and finite inputs.

`Loop` sets the duty for an air or oil target: full power while the target is far, PI near it, with the
integral preloaded to about what holding takes. `PartLoop` sets the air target for the part.
"""

from __future__ import annotations

from typing import Final

from simple_pid import PID

# Simple internal model control for a cautious, untuned oven: 0.5..0.8 K/s at full power, 20 s of dead time and
# element lag (simulated ranges); holding 205 °C takes about a quarter to a third of full power.
OVEN_GAIN_PER_K: Final = 0.028
OVEN_INTEGRAL_S: Final = 220.0
OVEN_BAND_K: Final = 30.0
OVEN_HOLD_PER_K: Final = 0.0013
# A sheathed sensor shows the air as it was 20 to 30 s ago, and at 1.5 K/s full power then goes 40 K too far (tried on
# drawn ovens: 30 s ahead took the mean overshoot of the steel from 3.8 to 2.1 K; 20 s: 2.2 K).
OVEN_AHEAD_S: Final = 30.0
OVEN_RATE_FILTER_S: Final = 8.0
TANK_GAIN_PER_K: Final = 0.25
TANK_INTEGRAL_S: Final = 1200.0
TANK_BAND_K: Final = 4.0
TANK_HOLD_PER_K: Final = 0.0015
# P+I with 4 °C of air per °C of part, integral only within 6 °C, as a study on 200 simulated ovens found. Its
# 1500 s of integral time left 1 K for most of an hour here; 450 s still damps a load that lags by 25 min.
PART_GAIN: Final = 4.0
PART_INTEGRAL_S: Final = 450.0
PART_INTEGRAL_WITHIN_K: Final = 6.0
# Air below the setpoint is never a danger: in some ovens the walls hold the steel above a much cooler sensor.
PART_BELOW_K: Final = 50.0
# The walls go on warming the steel for about this long after the air was taken back (tried on drawn ovens).
PART_AHEAD_S: Final = 110.0
PART_RATE_FILTER_S: Final = 40.0
ROOM_C: Final = 20.0


def _no_clock() -> float:
    return 0.0


class Loop:
    """Target °C and measured °C to a duty 0..1.

    With `ahead_s` it looks at where the reading is going: its filtered rate, so many seconds ahead.
    """

    __slots__ = ("_ahead_s", "_band_k", "_hold_per_k", "_last_c", "_pid", "_rate_k_per_s", "_target_c", "duty")

    def __init__(
        self, gain_per_k: float, integral_s: float, band_k: float, hold_per_k: float, ahead_s: float = 0.0
    ) -> None:
        self._pid = PID(
            gain_per_k, gain_per_k / integral_s, 0.0,
            sample_time=None, time_fn=_no_clock, output_limits=(0.0, 1.0),
        )  # fmt: skip
        self._band_k = band_k
        self._hold_per_k = hold_per_k
        self._ahead_s = ahead_s
        self._last_c: float | None = None
        self._rate_k_per_s = 0.0
        self._target_c = ROOM_C
        self.duty = 0.0

    def step(self, target_c: float, measured_c: float, dt_s: float) -> float:
        """The duty for the next tick. Needs finite numbers; anything else gives 0 and resets the loop."""
        error_k = target_c - measured_c
        if not abs(error_k) < 2000.0 or not 0.0 < dt_s < 60.0:
            self.withheld()
            return 0.0
        if self._last_c is not None:
            rate = (measured_c - self._last_c) / dt_s
            self._rate_k_per_s += (rate - self._rate_k_per_s) * min(1.0, dt_s / OVEN_RATE_FILTER_S)
        self._last_c = measured_c
        measured_c += self._ahead_s * self._rate_k_per_s
        error_k = target_c - measured_c
        if abs(error_k) > self._band_k:
            self._preload(target_c)
            self.duty = 1.0 if error_k > 0.0 else 0.0
            return self.duty
        self._pid.setpoint = target_c
        self.duty = self._pid(measured_c, dt=dt_s) or 0.0
        return self.duty

    def _preload(self, target_c: float) -> None:
        hold = min(0.6, max(0.0, self._hold_per_k * (target_c - ROOM_C)))
        self._pid.set_auto_mode(False)
        self._pid.set_auto_mode(True, last_output=hold)
        self._target_c = target_c

    def withheld(self) -> None:
        """Told whenever heat is withheld: the integral must not wind up against a heater that is off."""
        self._preload(self._target_c)
        self._last_c = None
        self._rate_k_per_s = 0.0
        self.duty = 0.0


class PartLoop:
    """Setpoint and part °C to the air target, between well under the setpoint and its boost above it.

    It looks at where the part is going: its filtered rate, `PART_AHEAD_S` ahead, so that the air comes back
    before the steel is there.
    """

    __slots__ = ("_last_c", "_pid", "_rate_k_per_s")

    def __init__(self) -> None:
        self._pid = PID(PART_GAIN, PART_GAIN / PART_INTEGRAL_S, 0.0, sample_time=None, time_fn=_no_clock)
        self._last_c: float | None = None
        self._rate_k_per_s = 0.0

    def step(self, setpoint_c: float, part_c: float, boost_k: float, dt_s: float) -> float:
        """The air target, °C."""
        pid = self._pid
        if self._last_c is not None:
            rate = (part_c - self._last_c) / dt_s
            self._rate_k_per_s += (rate - self._rate_k_per_s) * min(1.0, dt_s / PART_RATE_FILTER_S)
        self._last_c = part_c
        ahead_c = part_c + PART_AHEAD_S * self._rate_k_per_s
        pid.output_limits = (-PART_BELOW_K, boost_k)
        # The integral starts when the steel itself is near; what it has learned is not lost to a passing rate.
        if abs(setpoint_c - part_c) > PART_INTEGRAL_WITHIN_K:
            pid.set_auto_mode(False)
            pid.set_auto_mode(True, last_output=0.0)
            return setpoint_c + max(-PART_BELOW_K, min(boost_k, PART_GAIN * (setpoint_c - ahead_c)))
        pid.setpoint = setpoint_c
        return setpoint_c + (pid(ahead_c, dt=dt_s) or 0.0)

    def withheld(self) -> None:
        """Told whenever heat is withheld."""
        self._last_c = None
        self._rate_k_per_s = 0.0
        self._pid.set_auto_mode(False)
        self._pid.set_auto_mode(True, last_output=0.0)


def oven_loop() -> Loop:
    """The air loop with its cautious gains."""
    return Loop(OVEN_GAIN_PER_K, OVEN_INTEGRAL_S, OVEN_BAND_K, OVEN_HOLD_PER_K, OVEN_AHEAD_S)


def tank_loop() -> Loop:
    """The oil loop with its cautious gains."""
    return Loop(TANK_GAIN_PER_K, TANK_INTEGRAL_S, TANK_BAND_K, TANK_HOLD_PER_K)
