"""The board twin: a board that speaks wire bytes and keeps every rule of design chapter 5 on its own.

Time is whole milliseconds and moves only in `advance`, which jumps from one event to the next: samples every
200 ms, telemetry every 250 ms, edges of the outputs, clocks and contacts that run out. There is no clock and
no chance in it, so the same calls give the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from ..model import INPUT_ARMED
from .board_frames import LAYOUT, FrameReader, Transmitter, encode
from .board_guard import Guard
from .board_inputs import AGITATOR, ARM, DOOR, LEVEL, RESET, SMOKE, STOP, Inputs
from .board_outputs import WINDOW_MS, Outputs
from .board_sensors import OVEN_FLASH, SAMPLE_MS, TANK_FLASH, Sample
from .board_store import TripStore

PROTOCOL: Final = 1
TELEMETRY_MS: Final = 250
WATCHDOG_MS: Final = 250
SESSIONS_A_BOOT: Final = 4_099
"""How far apart the session numbers of two boots start."""
SESSION_NUMBERS: Final = 65_521
"""How many there are: a prime, so that boot 65535 and boot 0 get different ones as well."""
POWER_ON, EXTERNAL, BROWN_OUT, WATCHDOG = 1, 2, 4, 8
"""Causes of a reset."""


class _Contact:
    """A contact or button as an attribute of the board: True closed (or, for `door_open`, open)."""

    __slots__ = ("_place",)

    def __init__(self, place: int) -> None:
        self._place = place

    def __get__(self, board: Board, owner: type[Board]) -> bool:
        return board._raw[self._place]

    def __set__(self, board: Board, closed: bool) -> None:
        board._set(self._place, bool(closed))


class Board:
    """A whole board. Its contacts are plain attributes that the shop sets; its outputs are to be read.

    `fitted`: the bits of `model.FITTED_*`. `chip`: 31855, 31856 or 6675. `boots`: the number of this boot.
    `eeprom`: the twelve bytes of a `TripStore`, None for a board that was set up well. `start_ms`: what its
    millisecond counter shows at this boot (later boots start at 0). The stop circuit is closed, the oil level
    good and every other contact open until they are set otherwise.
    """

    _guard: Guard
    _outputs: Outputs

    def __init__(
        self,
        *,
        fitted: int,
        chip: int = 31855,
        boots: int = 1,
        eeprom: bytes | None = None,
        start_ms: int = 0,
        firmware: int = 1,
    ) -> None:
        self.fitted = fitted
        self.chip = chip
        self.boots = boots
        self.firmware = firmware
        self.store = TripStore(eeprom)
        self.powered = True
        self._raw = [False, True, True, False, False, False, False]
        self._welded = [False, False]
        self._earlier_on_ms = [0, 0]
        self._taken_on_ms = [0, 0]
        self._letters: dict[str, str] = {}
        self._line = Transmitter()
        self._boot(POWER_ON, start_ms)

    # --- power, resets, hangs ----------------------------------------------------------------------------

    def power_cut(self, torn_slots: int = 0) -> None:
        """The power goes. `torn_slots`: how many slots of the store it leaves half written (0 to 2)."""
        self._forget()
        self.store.tear(torn_slots)
        self.powered = False

    def power_on(self) -> None:
        self.reset(POWER_ON)

    def reset(self, cause: int = EXTERNAL) -> None:
        """Boot again, as after a reset of that cause; the cells of the store stay."""
        self._forget()
        self.boots = (self.boots + 1) % 65536
        self.powered = True
        self._boot(cause, 0)

    def hang(self, seconds: float) -> None:
        """The program stands still from now on, for `seconds` or until the watchdog bites (0.25 s)."""
        self._hang_ms = round(seconds * 1000)
        self._bite_ms = WATCHDOG_MS

    def _forget(self) -> None:
        """Everything in RAM is lost and the pins go low."""
        for zone in (0, 1):
            self._earlier_on_ms[zone] += self._outputs.on_ms(zone)
        self._guard.heating[:] = [False, False]
        self._guard.contactor = False
        self._outputs = Outputs(self._guard)

    def _boot(self, cause: int, start_ms: int) -> None:
        self._reset_cause = cause
        self._start_ms = start_ms
        self._guard = Guard(self.fitted, self.store, Inputs(self.fitted, self._raw), self._welded)
        self._outputs = Outputs(self._guard)
        self._sample = Sample((0, 0, 0, 0, 0), "X" * 5, 0)
        self._reader = FrameReader()
        self._sessions = 0
        self._tseq = 0
        self._overruns = 0
        self._hang_ms = self._bite_ms = 0
        self._line.clear()
        self._check_ms = 0
        self._edge_ms = self._outputs.update()
        self._sample_ms = SAMPLE_MS
        self._telemetry_ms = TELEMETRY_MS
        self._line.send(0, encode(self._hello()))

    # --- contacts and outputs ----------------------------------------------------------------------------

    door_open = _Contact(DOOR)
    stop_closed = _Contact(STOP)
    level_good = _Contact(LEVEL)
    agitator_turning = _Contact(AGITATOR)
    smoke = _Contact(SMOKE)
    arm_button = _Contact(ARM)
    reset_button = _Contact(RESET)

    def _set(self, contact: int, closed: bool) -> None:
        if self._guard.inputs.set(contact, closed, self._guard.now):
            self._check_ms = self._guard.now

    def set_welded(self, oven: bool, tank: bool) -> None:
        """Which relays conduct although their outputs are off; a fitted current sensor notices it."""
        self._welded[:] = [oven, tank]
        self._check_ms = self._guard.now

    @property
    def oven_on(self) -> bool:
        return self._guard.heating[0]

    @property
    def tank_on(self) -> bool:
        return self._guard.heating[1]

    @property
    def contactor(self) -> bool:
        return self._guard.contactor

    @property
    def outputs(self) -> int:
        """The `model.OUTPUT_*` bits of this moment."""
        return self._outputs.bits

    @property
    def trips(self) -> int:
        return self._guard.trips

    @property
    def armed(self) -> bool:
        return self._guard.armed

    @property
    def uptime_ms(self) -> int:
        """Milliseconds since the boot."""
        return self._guard.now

    def take_on_s(self) -> tuple[float, float]:
        """Seconds for which the oven's and the tank's outputs were on since the last call."""
        taken = self._taken_on_ms
        oven = self._earlier_on_ms[0] + self._outputs.on_ms(0)
        tank = self._earlier_on_ms[1] + self._outputs.on_ms(1)
        answer = ((oven - taken[0]) / 1000, (tank - taken[1]) / 1000)
        taken[0] = oven
        taken[1] = tank
        return answer

    # --- time --------------------------------------------------------------------------------------------

    def advance(self, dt_ms: int, sense: Callable[[], Sample]) -> None:
        """`dt_ms` pass (ValueError when negative). `sense` is asked at every sample that falls into them."""
        if dt_ms < 0:
            raise ValueError(f"time cannot go back by {-dt_ms} ms")
        if not self.powered:
            return
        if self._hang_ms:
            dt_ms = self._stand_still(dt_ms)
        guard = self._guard
        end = guard.now + dt_ms
        while True:
            now = min(self._check_ms, self._sample_ms, self._edge_ms, self._telemetry_ms)
            if now > end:
                break
            guard.now = now
            if now >= self._check_ms:
                self._check_ms = guard.step()
            if now >= self._sample_ms:
                self._sample_ms += SAMPLE_MS
                self._take(sense())
            if guard.changed or now >= self._edge_ms:
                self._refresh()
            if now >= self._telemetry_ms:
                self._telemetry_ms += TELEMETRY_MS
                self._line.send(now, encode(self._telemetry()))
        guard.now = end

    def _stand_still(self, dt_ms: int) -> int:
        """A hang: pins stay, nothing is done, until it ends or the watchdog bites. What is left of dt_ms."""
        still = min(dt_ms, self._hang_ms, self._bite_ms)
        self._hang_ms -= still
        self._bite_ms -= still
        self._guard.now += still
        if self._bite_ms == 0:
            self.reset(WATCHDOG)
        elif self._hang_ms == 0:
            now = self._check_ms = self._edge_ms = self._guard.now
            self._sample_ms = now - now % SAMPLE_MS + SAMPLE_MS
            self._telemetry_ms = now - now % TELEMETRY_MS + TELEMETRY_MS
        return dt_ms - still

    def _refresh(self) -> None:
        """Set the outputs; a welded relay shows at their edges."""
        self._edge_ms = self._outputs.update()
        if True in self._welded:
            self._check_ms = self._guard.step()
            if self._guard.changed:
                self._edge_ms = self._outputs.update()

    def _take(self, sample: Sample) -> None:
        values, faults, cold = sample
        letters = self._letters.get(faults)
        if letters is None:
            letters = self._letters[faults] = self._fitted_letters(faults)
        if letters != "-----":
            heard = (value if letter == "-" else 0 for value, letter in zip(values, letters, strict=True))
            a, b, c, d, e = heard
            values = (a, b, c, d, e)
        self._sample = Sample(values, letters, 0 if self.chip == 6675 else cold)
        self._guard.sample(values, letters)

    def _fitted_letters(self, faults: str) -> str:
        if len(faults) != 5 or set(faults) - set("-OGVRXN"):
            raise ValueError(f"fault letters {faults!r} are not five of -OGVRXN")
        return "".join(letter if self.fitted >> place & 1 else "N" for place, letter in enumerate(faults))

    # --- the wire ----------------------------------------------------------------------------------------

    def receive(self, data: bytes) -> None:
        """Bytes from the host arrive now."""
        if not self.powered or not data:
            return
        if self._hang_ms:
            self._overruns = (self._overruns + 1) % 65536
            return
        for kind, fields in self._reader.receive(data, self._guard.now):
            self._act(kind, fields)
        if self._guard.changed:
            self._refresh()

    def transmit(self) -> bytes:
        """What the board has sent since the last call."""
        return self._line.take()

    def _act(self, kind: str, fields: tuple[int, ...]) -> None:
        """One well-formed frame from the host."""
        guard = self._guard
        if kind == "S":
            code = guard.set_duty(*fields)
        elif kind == "L":
            code = guard.set_limit(*fields)
        else:
            self._greet(*fields)
            return
        self._line.send(guard.now, encode(b"A,%d,%d" % (fields[1], code)))

    def _greet(self, lowest: int, highest: int) -> None:
        """Answer, and open a session if the host speaks our protocol. No room: no answer, no session."""
        guard = self._guard
        speaks = lowest <= PROTOCOL <= highest
        sid = 0
        if speaks:
            sid = 1 + (self.boots * SESSIONS_A_BOOT + self._sessions) % SESSION_NUMBERS
        if not self._line.send(guard.now, encode(self._hello()), encode(self._answer_greeting(sid))):
            return
        if speaks:
            self._sessions += 1
            guard.open_session(sid)
        else:
            guard.end_session()
        self._check_ms = guard.now

    def _hello(self) -> bytes:
        return b"B,%d,%d,%d,%d,%d" % (
            PROTOCOL, self.firmware, self._reset_cause, self.boots, self._guard.trips,
        )  # fmt: skip

    def _answer_greeting(self, sid: int) -> bytes:
        oven_limit, tank_off, tank_limit = map(self._guard.sensors.in_force, range(3))
        return b"H,%d,%d,%d,%d,%d,%d,%d,%d,%d,%d,%d,%d" % (
            PROTOCOL, self.firmware, LAYOUT, sid, self.chip, OVEN_FLASH, TANK_FLASH,
            oven_limit, tank_off, tank_limit, self.fitted, WINDOW_MS,
        )  # fmt: skip

    def _telemetry(self) -> bytes:
        guard = self._guard
        outputs = self._outputs
        now = guard.now
        values, letters, cold = self._sample
        age = now - guard.good_s_ms
        tseq = self._tseq
        self._tseq = (tseq + 1) & 65535
        return b"T,%d,%d,%d,%d,%d,%d,%d,%d,%d,%b,%d,%d,%d,%d,%d,%d,%d,%d,%d,%d,%d,%d" % (
            tseq, (self._start_ms + now) & 0xFFFFFFFF, guard.sid, *values, cold, letters.encode(),
            guard.inputs.bits | (INPUT_ARMED if guard.armed else 0), outputs.bits,
            outputs.on_ms(0) & 65535, outputs.on_ms(1) & 65535, guard.trips, guard.arm_left_s(),
            guard.arms, guard.resets, guard.last_seq, age if age < 65535 else 65535,
            self._reader.bad_frames(now), self._overruns,
        )  # fmt: skip
