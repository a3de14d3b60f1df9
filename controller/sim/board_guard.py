"""The board twin's rules about heat: session, arming, limits, sensors and trips (design chapter 5).

Nothing here knows frames or output pins, and nothing is borrowed from the core. Times are whole milliseconds
since the board booted and come from outside (`now`, moved by the board); temperatures are hundredths of °C on
the chip's own scale; duties are thousandths. Zone 0 is the oven, zone 1 the tank; sensors stand in the order
of `model.SENSORS`.
"""

from __future__ import annotations

from typing import Final

from ..model import FITTED_OVEN_CURRENT, FITTED_SMOKE, FITTED_TANK_CURRENT
from .board_inputs import LEVEL, NEVER, SMOKE, STOP, Inputs
from .board_sensors import FLASH, LOWEST_LIMIT, SENSOR_TANK, Sensors
from .board_store import RECORD_TRIP, TripStore

SILENCE_MS: Final = 2_000
ARMED_MS: Final = 15 * 60_000
ARMED_LONGEST_MS: Final = 12 * 3_600_000
DISARM_SILENCE_MS: Final = 60_000
RECENT_HEAT_MS: Final = 120_000
STUCK_MS: Final = 200
GRACE_MS: Final = 1_000
SOUND_MS: Final = 30 * 60_000
SEQUENCE_AHEAD: Final = 1_000

STOP_TRIP, LEVEL_TRIP, SMOKE_TRIP, STUCK_TRIP = 16, 32, 64, 128
HOST_TRIP: Final = 512
FLAG_SOUNDER, FLAG_AGITATOR, FLAG_CONTACTOR, FLAG_WORK, FLAG_TRIP = 1, 2, 4, 8, 16

DONE, RANGE, SESSION, SEQUENCE, TRIPPED, DISARMED, UNLIMITED = range(7)
"""The codes of an answer."""


class Guard:
    """Everything that decides whether a heater may be on. A fresh one is made at every boot."""

    __slots__ = (
        "_fitted_current", "_smoke_fitted", "_stuck_since", "armed", "arms", "changed", "contactor", "duty",
        "fed_ms", "flags", "good_s_ms", "heat_ms", "heating", "hold_ms", "inputs", "kept", "last_seq", "now",
        "pressed_ms", "renewed_ms", "resets", "sensors", "sid", "silent_ms", "sound_until_ms", "store",
        "trips", "welded",
    )  # fmt: skip

    def __init__(self, fitted: int, store: TripStore, inputs: Inputs, welded: list[bool]) -> None:
        """`welded`: for each zone, whether its relay conducts although its output is off."""
        self.sensors = Sensors(fitted)
        self._fitted_current = (bool(fitted & FITTED_OVEN_CURRENT), bool(fitted & FITTED_TANK_CURRENT))
        self._smoke_fitted = bool(fitted & FITTED_SMOKE)
        self.store = store
        self.inputs = inputs
        self.now = 0
        self.changed = False
        """Something happened that outputs depend on; the board clears it."""
        self.sid = self.last_seq = self.flags = 0
        self.kept = 0
        """The sounder and agitator flags that go on although the host fell silent."""
        self.duty = [0, 0]
        self.fed_ms = self.good_s_ms = self.silent_ms = 0
        self.armed = False
        self.pressed_ms = self.renewed_ms = 0
        self.arms = self.resets = 0
        self.hold_ms = -GRACE_MS
        self.heating = [False, False]
        self.heat_ms = [-NEVER, -NEVER]
        self.contactor = False
        self.welded = welded
        self._stuck_since: list[int | None] = [None, None]
        self.trips = store.load()
        self.sound_until_ms = SOUND_MS
        if self.trips & RECORD_TRIP:
            store.save(self.trips)

    # --- what the host says ------------------------------------------------------------------------------

    def open_session(self, sid: int) -> None:
        """A greeting was answered. Limits and arming stay."""
        self.sid = sid
        self.last_seq = self.flags = self.kept = 0
        self.duty = [0, 0]
        self.fed_ms = self.now
        self.changed = True

    def end_session(self) -> None:
        if self.sid:
            self.sid = 0
            self.silent_ms = self.now
            self.kept = self.flags & (FLAG_SOUNDER | FLAG_AGITATOR)
            self.duty = [0, 0]
            self.changed = True

    def set_duty(self, sid: int, seq: int, oven: int, tank: int, flags: int) -> int:
        """An S frame: the code to answer."""
        if oven == 0 and tank == 0:
            self._no_duty()
        fitted = self.sensors.zone_fitted
        if oven > 1000 or tank > 1000 or flags > 31 or (oven and not fitted[0]) or (tank and not fitted[1]):
            return RANGE
        code = self._stranger(sid, seq)
        if code:
            return code
        now = self.now
        self.last_seq = seq
        heard_again = now - self.good_s_ms >= SILENCE_MS
        self.fed_ms = self.good_s_ms = now
        if flags != self.flags or heard_again:
            self.flags = flags
            self.changed = True
        if flags & FLAG_TRIP and now - self.hold_ms >= GRACE_MS:
            self.trip(HOST_TRIP)
        if flags & FLAG_WORK and self.armed:
            self.renewed_ms = now
        if oven == 0 and tank == 0:
            return DONE
        if self.trips:
            code = TRIPPED
        elif not self.armed:
            code = DISARMED
        else:
            sensors = self.sensors
            limited = (not oven or sensors.has_limits(0)) and (not tank or sensors.has_limits(1))
            code = DONE if limited else UNLIMITED
        if code:
            self._no_duty()
        else:
            duty = self.duty
            if (duty[0] and not oven) or (duty[1] and not tank):
                self.changed = True
            duty[0] = oven
            duty[1] = tank
        return code

    def set_limit(self, sid: int, seq: int, which: int, limit: int) -> int:
        """An L frame: the code to answer."""
        if which > 2 or not LOWEST_LIMIT <= limit <= FLASH[which]:
            return RANGE
        sensors = self.sensors
        if limit > sensors.limit[which] and self.duty[min(which, 1)]:
            return RANGE
        code = self._stranger(sid, seq)
        if code:
            return code
        self.last_seq = seq
        sensors.limit[which] = limit
        sensors.limits_set |= 1 << which
        return DONE

    def _stranger(self, sid: int, seq: int) -> int:
        if sid == 0 or sid != self.sid:
            return SESSION
        return DONE if 1 <= (seq - self.last_seq) % 65536 <= SEQUENCE_AHEAD else SEQUENCE

    def _no_duty(self) -> None:
        if self.duty[0] or self.duty[1]:
            self.duty = [0, 0]
            self.changed = True

    # --- what time and the contacts bring ----------------------------------------------------------------

    def step(self) -> int:
        """Look at every clock and contact; the time at which to look again at the latest."""
        now = self.now
        if self.sid and now - self.fed_ms >= SILENCE_MS:
            self.end_session()
        inputs = self.inputs
        before = inputs.bits
        pressed, held, due = inputs.step(now)
        if inputs.bits != before:
            self.changed = True
        self._watch_inputs()
        due = min(due, self._watch_current())
        if held:
            self._reset()
        if pressed:
            self._press()
        if self.armed and now >= self._lapse_ms():
            self._disarm()
        if self.sid:
            due = min(due, self.fed_ms + SILENCE_MS)
        if self.armed:
            due = min(due, self._lapse_ms())
        return due

    def _watch_inputs(self) -> None:
        inputs = self.inputs
        if inputs.is_open(STOP):
            self.trip(STOP_TRIP)
            self._disarm()
        if inputs.is_open(LEVEL) and self.had_heat(1):
            self.trip(LEVEL_TRIP)
        if self._smoke_fitted and inputs.stable[SMOKE]:
            self.trip(SMOKE_TRIP)

    def _watch_current(self) -> int:
        """Current in a heater whose output is off, where a sensor for it is fitted."""
        due = NEVER
        for zone in (0, 1):
            flows = self._fitted_current[zone] and self.welded[zone] and self.contactor
            if not flows or self.heating[zone]:
                self._stuck_since[zone] = None
                continue
            since = self._stuck_since[zone]
            if since is None:
                since = self._stuck_since[zone] = self.now
            if self.now - since >= STUCK_MS:
                self.trip(STUCK_TRIP)
            else:
                due = min(due, since + STUCK_MS)
        return due

    def _press(self) -> None:
        self.arms = (self.arms + 1) % 65536
        if self.trips or not self.inputs.stable[STOP] or self.now - self.good_s_ms >= DISARM_SILENCE_MS:
            return
        self.armed = True
        self.pressed_ms = self.renewed_ms = self.now

    def _lapse_ms(self) -> int:
        """When arming ends, if nothing more happens that keeps it."""
        return min(self._arm_end_ms(), self.good_s_ms + DISARM_SILENCE_MS)

    def _arm_end_ms(self) -> int:
        kept = self.now if self.heating[0] or self.heating[1] else max(self.renewed_ms, *self.heat_ms)
        return min(kept + ARMED_MS, self.pressed_ms + ARMED_LONGEST_MS)

    def arm_left_s(self) -> int:
        """What is left of the 15 minutes or the 12 hours, whole seconds."""
        return (self._arm_end_ms() - self.now) // 1000 if self.armed else 0

    def _disarm(self) -> None:
        if self.armed:
            self.armed = False
            self.changed = True
        self._no_duty()

    # --- trips -------------------------------------------------------------------------------------------

    def trip(self, bits: int) -> None:
        """Latch `bits`: stored, sounding, disarmed, without duty."""
        if bits & ~self.trips:
            self.trips |= bits
            self.store.save(self.trips)
            self.sound_until_ms = self.now + SOUND_MS
            self.changed = True
        self._disarm()

    def _reset(self) -> None:
        """The reset button was held long enough: clear the trips whose cause is gone."""
        self.resets = (self.resets + 1) % 65536
        self.hold_ms = self.now
        left = 0
        for bit in (1 << position for position in range(10)):
            if self.trips & bit and not self._cause_gone(bit):
                left |= bit
        if left != self.trips:
            self.trips = left
            self.store.save(left)
            self.changed = True

    def _cause_gone(self, bit: int) -> bool:
        if bit <= SENSOR_TANK:
            return self.sensors.cause_gone(bit, self.now)
        if bit == STOP_TRIP:
            return self.inputs.stable[STOP]
        if bit == LEVEL_TRIP:
            return self.inputs.stable[LEVEL]
        if bit == SMOKE_TRIP:
            return not self.inputs.stable[SMOKE]
        if bit == STUCK_TRIP:
            return self._stuck_since == [None, None]
        return True

    # --- what may be on ----------------------------------------------------------------------------------

    def had_heat(self, zone: int) -> bool:
        """The zone's heater was on within the last 120 s."""
        return self.heating[zone] or self.now - self.heat_ms[zone] <= RECENT_HEAT_MS

    def sample(self, values: tuple[int, ...], faults: str) -> None:
        """All thermocouples were read."""
        sensors = self.sensors
        before = (*sensors.zone_good, sensors.hot)
        raised = sensors.take(self.now, values, faults, self.had_heat)
        if before != (*sensors.zone_good, sensors.hot) or self.kept:
            self.changed = True
        if raised:
            self.trip(raised)

    def permits(self, zone: int) -> bool:
        """Heat in this zone is allowed now (the contactor apart)."""
        sensors = self.sensors
        if self.trips or not (
            self.armed and self.sid and sensors.zone_good[zone] and self.inputs.stable[STOP]
        ):
            return False
        if not sensors.has_limits(zone):
            return False
        return zone == 0 or not (sensors.hot or not self.inputs.stable[LEVEL])

    def wants_contactor(self) -> bool:
        allowed = self.armed and self.sid and not self.trips and self.inputs.stable[STOP]
        return bool(self.flags & FLAG_CONTACTOR and allowed)
