"""The board's rules once more, in plain words of their own: an oracle for guard.c and for the board twin.

Written from the design's chapter on the wire and from nothing else. It looks at the world every 10 ms, so whatever is
done to it must happen on that grid, duties included (a duty of 10 is 10 ms of the window). Nothing is clever here:
times are plain numbers since the boot, and each rule is asked anew at every look.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Callable
from typing import Any

GRID_MS = 10
LONG_AGO = float("-inf")
OVEN_CONSTANT, TANK_CONSTANT = 31_000, 11_000
SETTLES_MS = {"stop_closed": 20}
BIT_OF = {
    "door_open": 1, "stop_closed": 2, "level_good": 4, "agitator_turning": 8, "smoke": 16,
    "arm_button": 64, "reset_button": 128,
}  # fmt: skip
FITTED_BIT = {"level_good": 128, "agitator_turning": 256, "smoke": 512, "door_open": 1024}
SAFE = {"door_open": False, "stop_closed": True, "level_good": True, "agitator_turning": True, "smoke": False}
UNKNOWN_SHOWS = {"door_open", "arm_button", "reset_button"}
NUMBER_OF_FIELDS = {"H": 2, "S": 5, "L": 4}


def frame(body: str) -> bytes:
    return b"!%b*%04X\n" % (body.encode(), crc_hqx(body.encode(), 0xFFFF))


def message(text: bytes) -> tuple[str, list[int]] | None:
    """What a frame from `!` to its line feed says, None for a bad one."""
    found = re.fullmatch(r"!([HSL])((?:,[-0-9]+)+)\*([0-9A-F]{4})\n", text.decode("latin-1"))
    if not found or frame(found[1] + found[2]) != text:
        return None
    words = found[2][1:].split(",")
    kind = found[1]
    if len(words) != NUMBER_OF_FIELDS[kind] or any(not re.fullmatch(r"0|-?[1-9]\d*", word) for word in words):
        return None
    numbers = [int(word) for word in words]
    if kind == "H":
        return (kind, numbers) if 1 <= numbers[0] <= numbers[1] <= 255 else None
    words16, last = (numbers[:3], numbers[3]) if kind == "L" else (numbers, 0)
    fits = all(0 <= number <= 65535 for number in words16) and -(2**31) <= last < 2**31
    return (kind, numbers) if fits else None


class Contact:
    def __init__(self, name: str, closed: bool, fitted: bool) -> None:
        self.name, self.closed, self.fitted = name, closed, fitted
        self.since = self.calm = 0
        self.known = not fitted
        self.state = SAFE.get(name, True) if not fitted else name in UNKNOWN_SHOWS

    def look(self, now: int) -> None:
        if not self.fitted:
            return
        if now - self.since >= SETTLES_MS.get(self.name, 100):
            self.known, self.state, self.calm = True, self.closed, now
        elif self.name in SAFE and now - self.calm >= 500:
            self.known, self.state = True, not SAFE[self.name]


class Model:
    """The same face as the board twin's, as far as a tape needs it."""

    def __init__(self, *, fitted: int, boots: int = 1) -> None:
        self.fitted, self.boots = fitted, boots
        self.closed = {name: name in ("stop_closed", "level_good") for name in BIT_OF}
        self.welded = [False, False]
        self.stored = 0
        self.sessions = 0
        self.sent: list[bytes] = []
        self.boot(1)

    # --- boots ---

    def boot(self, cause: int) -> None:
        self.cause = cause
        self.now = 0
        self.contacts = {
            name: Contact(name, closed, bool(self.fitted & FITTED_BIT.get(name, 0)) or name not in FITTED_BIT)
            for name, closed in self.closed.items()
        }
        self.arm_was_open = self.press_down = self.reset_was_open = False
        self.sid = self.last_seq = self.flags = self.kept = 0
        self.fed = self.good_s = 0
        self.silent = LONG_AGO
        self.duty, self.on, self.carry = [0, 0], [0, 0], [0, 0]
        self.heating = [False, False]
        self.on_ms = [0, 0]
        self.last_heat = [LONG_AGO, LONG_AGO]
        self.contactor = False
        self.contactor_closed = 0
        self.window = 0
        self.armed = False
        self.pressed = self.renewed = LONG_AGO
        self.arms = self.resets = self.tseq = self.bad_frames = 0
        self.held = LONG_AGO
        self.limit = [OVEN_CONSTANT, TANK_CONSTANT, TANK_CONSTANT]
        self.was_set: set[int] = set()
        self.values, self.letters, self.cold = [0] * 5, "XXXXX", 0
        self.zone_good = [False, False]
        self.last_bad = [0, 0]
        self.was_over = [False] * 4
        self.counted: list[list[bool]] = [[], [], [], []]
        self.hot = False
        self.oil: int | None = None
        self.flowing_since: list[int | None] = [None, None]
        self.trips = self.stored
        self.tripped_at = 0
        self.half, self.heard = b"", 0
        self.outputs = 0
        self.sent.append(frame(self.hello()))
        self.look_at_outputs()

    def reset(self, cause: int) -> None:
        self.boots = (self.boots + 1) % 65536
        self.boot(cause)

    def tear(self, slots: int) -> None:
        """The power goes in the middle of a write."""
        self.stored = (0, self.stored | 256, 256)[slots] if slots else self.stored

    # --- contacts ---

    def set_contact(self, name: str, closed: bool) -> None:
        if self.closed[name] != closed:
            self.closed[name] = self.contacts[name].closed = closed
            self.contacts[name].since = self.now

    def safe(self, name: str) -> bool:
        contact = self.contacts[name]
        return contact.known and contact.state == SAFE[name]

    def zone_is_fitted(self, zone: int) -> bool:
        return bool(self.fitted & (1, 4)[zone])

    def sensors(self, zone: int) -> list[int]:
        pair = (2 * zone, 2 * zone + 1)
        return [sensor for sensor in pair if self.fitted >> sensor & 1] if self.zone_is_fitted(zone) else []

    def had_heat(self, zone: int) -> bool:
        return self.now - self.last_heat[zone] <= 120_000

    # --- time ---

    def advance(self, ms: int, sense: Callable[[], Any]) -> None:
        assert ms % GRID_MS == 0
        for _ in range(ms // GRID_MS):
            self.now += GRID_MS
            for zone in (0, 1):
                if self.heating[zone]:
                    self.on_ms[zone] += GRID_MS
                    self.last_heat[zone] = self.now
            self.look_around()
            if self.now % 200 == 0:
                self.look_at_sensors(*sense())
            self.look_at_outputs()
            if self.now % 250 == 0:
                self.sent.append(frame(self.telemetry()))

    def look_around(self) -> None:
        now = self.now
        self.drop_half_a_frame()
        if self.sid and now - self.fed >= 2_000:
            self.end_session()
        for contact in self.contacts.values():
            contact.look(now)
        if self.contacts["stop_closed"].known and not self.contacts["stop_closed"].state:
            self.trip(16)
        if self.contacts["level_good"].known and not self.contacts["level_good"].state and self.had_heat(1):
            self.trip(32)
        if self.contacts["smoke"].known and self.contacts["smoke"].state:
            self.trip(64)
        self.look_at_currents()
        self.look_at_reset_button()
        self.look_at_arm_button()
        if self.armed and (now >= self.armed_until() or now - self.good_s >= 60_000):
            self.disarm()

    def look_at_currents(self) -> None:
        for zone in (0, 1):
            has_sensor = bool(self.fitted & (32, 64)[zone])
            flows = has_sensor and self.welded[zone] and self.contactor and not self.heating[zone]
            if not flows:
                self.flowing_since[zone] = None
            elif self.flowing_since[zone] is None:
                self.flowing_since[zone] = self.now
            elif self.now - self.flowing_since[zone] >= 200:  # type: ignore[operator]
                self.trip(128)

    def weld(self, oven: bool, tank: bool) -> None:
        self.welded = [oven, tank]
        self.look_at_currents()

    def look_at_reset_button(self) -> None:
        contact = self.contacts["reset_button"]
        if contact.known and not contact.state:
            self.reset_was_open = True
        if self.reset_was_open and contact.closed and self.now - contact.since >= 2_000:
            self.reset_was_open = False
            self.resets += 1
            self.held = self.now
            gone = sum(bit for bit in (1 << place for place in range(10)) if self.cause_is_gone(bit))
            self.trips &= ~gone
            self.stored = self.trips

    def look_at_arm_button(self) -> None:
        contact = self.contacts["arm_button"]
        if self.now - contact.since < 50:
            return
        down, self.press_down = contact.closed, contact.closed
        if not down:
            self.arm_was_open = True
        elif self.arm_was_open:
            self.arm_was_open = False
            self.arms += 1
            if not self.trips and self.safe("stop_closed") and self.now - self.good_s < 60_000:
                self.armed = True
                self.pressed = self.renewed = self.now

    def armed_until(self) -> float:
        return min(max(self.renewed, *self.last_heat) + 900_000, self.pressed + 12 * 3_600_000)

    def disarm(self) -> None:
        self.armed = False
        self.duty = [0, 0]

    def trip(self, bit: int) -> None:
        if not self.trips & bit:
            self.trips |= bit
            self.stored = self.trips
            self.tripped_at = self.now
        self.disarm()

    def cause_is_gone(self, bit: int) -> bool:
        if bit in (1, 2, 4, 8):
            zone = 0 if bit in (1, 4) else 1
            if not self.zone_is_fitted(zone):
                return True
            if bit in (4, 8):
                return self.zone_good[zone] and self.now - self.last_bad[zone] >= 30_000
            good = [self.values[sensor] for sensor in self.sensors(zone) if self.letters[sensor] == "-"]
            return bool(good) and max(good) + 2_000 <= self.limit[2 * zone]
        if bit == 16:
            return self.contacts["stop_closed"].state
        if bit == 32:
            return self.contacts["level_good"].state
        if bit == 64:
            return not self.contacts["smoke"].state
        if bit == 128:
            return self.flowing_since == [None, None]
        return True

    # --- sensors ---

    def look_at_sensors(self, values: tuple[int, ...], letters: str, cold: int) -> None:
        self.letters = "".join(letters[place] if self.fitted >> place & 1 else "N" for place in range(5))
        self.values = [value if letter == "-" else 0 for value, letter in zip(values, self.letters, strict=True)]
        self.cold = cold
        raised = []
        for zone in (0, 1):
            mine = self.sensors(zone)
            self.zone_good[zone] = bool(mine) and all(self.letters[sensor] == "-" for sensor in mine)
            if not self.zone_good[zone]:
                self.last_bad[zone] = self.now
            for sensor in mine:
                good = self.letters[sensor] == "-"
                counts = not good and self.had_heat(zone)
                self.counted[sensor] = [*self.counted[sensor], counts][-20:]
                if counts and (self.counted[sensor][-3:] == [True] * 3 or sum(self.counted[sensor]) >= 5):
                    raised.append((4, 8)[zone])
                if good:
                    over = self.values[sensor] >= self.limit[2 * zone]
                    if over and self.was_over[sensor]:
                        raised.append((1, 2)[zone])
                    self.was_over[sensor] = over
        oil = [self.values[sensor] for sensor in self.sensors(1) if self.letters[sensor] == "-"]
        if oil:
            self.oil = max(oil)
            if self.oil >= self.limit[1]:
                self.hot = True
            elif self.oil <= self.limit[1] - 300:
                self.hot = False
        for bit in raised:
            self.trip(bit)

    # --- outputs ---

    def may_heat(self, zone: int) -> bool:
        limits = {0} if zone == 0 else {1, 2}
        common = self.armed and self.sid and not self.trips and self.safe("stop_closed") and self.contactor
        mine = self.duty[zone] and self.zone_good[zone] and limits <= self.was_set
        return bool(common and mine and (zone == 0 or (not self.hot and self.contacts["level_good"].state)))

    def look_at_outputs(self) -> None:
        contactor = bool(
            self.flags & 4 and self.armed and self.sid and not self.trips and self.safe("stop_closed")
        )
        if contactor and not self.contactor:
            self.contactor_closed = self.now
        self.contactor = contactor
        may = [self.may_heat(0), self.may_heat(1)]
        if self.now >= self.window + 1_000:
            self.window = self.now
            wanted = [self.duty[zone] + self.carry[zone] if may[zone] else 0 for zone in (0, 1)]
            self.on = [min(ms, 1_000) if ms >= 20 else 0 for ms in wanted]
            too_much = sum(self.on) - 1_000
            if too_much > 0 and sum(self.duty) <= 1_000:
                self.on[self.on[1] > self.on[0]] -= too_much
            self.carry = [min(ms - on, 19) for ms, on in zip(wanted, self.on, strict=True)]
        self.on = [on if ok else 0 for on, ok in zip(self.on, may, strict=True)]
        into = self.now - self.window
        ready = self.contactor and self.now - self.contactor_closed >= 100
        self.heating = [ready and into < self.on[0], ready and self.on[1] > 0 and into >= 1_000 - self.on[1]]
        self.last_heat = [self.now if on else ago for on, ago in zip(self.heating, self.last_heat, strict=True)]
        signals = self.flags & 3 if self.sid else self.kept_alone()
        if self.trips and self.now - self.tripped_at < 1_800_000:
            signals |= not self.sid or self.now - self.good_s >= 2_000
        self.look_at_currents()
        self.outputs = self.heating[0] + 2 * self.heating[1] + 4 * self.contactor + 8 * (signals & 3)

    def kept_alone(self) -> int:
        keeps = self.trips or (self.oil is not None and self.oil > 6_500)
        if not keeps or self.now - self.silent >= 1_800_000:
            self.kept = 0
        return self.kept

    # --- the line ---

    def drop_half_a_frame(self) -> None:
        if self.half and self.now - self.heard >= 50:
            self.half = b""
            self.bad_frames += 1

    def receive(self, data: bytes) -> None:
        self.drop_half_a_frame()
        self.heard = self.now
        for place in range(len(data)):
            byte = data[place : place + 1]
            if byte == b"!":
                self.bad_frames += bool(self.half)
                self.half = byte
            elif self.half:
                self.half += byte
                if byte == b"\n" or len(self.half) >= 180:
                    found, self.half = message(self.half), b""
                    if found:
                        self.act(*found)
                    else:
                        self.bad_frames += 1
        self.look_at_outputs()

    def transmit(self) -> bytes:
        data = b"".join(self.sent)
        self.sent.clear()
        return data

    def act(self, kind: str, fields: list[int]) -> None:
        if kind == "H":
            self.greet(*fields)
            return
        code = self.take_duty(*fields) if kind == "S" else self.take_limit(*fields)
        self.sent.append(frame(f"A,{fields[1]},{code}"))

    def greet(self, lowest: int, highest: int) -> None:
        sid = 0
        if lowest <= 1 <= highest:
            self.sessions += 1
            sid = self.sessions
        limits = ",".join(str(limit) for limit in self.limit)
        self.sent.append(frame(self.hello()))
        self.sent.append(frame(f"H,1,1,56694,{sid},31855,31000,11000,{limits},{self.fitted},1000"))
        if sid:
            self.sid, self.last_seq, self.flags, self.kept, self.fed = sid, 0, 0, 0, self.now
            self.duty = [0, 0]
        elif self.sid:
            self.end_session()

    def end_session(self) -> None:
        self.sid, self.silent, self.kept = 0, self.now, self.flags & 3
        self.duty = [0, 0]

    def foreign(self, sid: int, seq: int) -> int:
        if not self.sid or sid != self.sid:
            return 2
        return 0 if 1 <= (seq - self.last_seq) % 65536 <= 1_000 else 3

    def take_duty(self, sid: int, seq: int, oven: int, tank: int, flags: int) -> int:
        asked = (oven, tank)
        if asked == (0, 0):
            self.duty = [0, 0]
        if max(asked) > 1_000 or flags > 31 or any(duty and not self.zone_is_fitted(z) for z, duty in enumerate(asked)):
            return 1
        code = self.foreign(sid, seq)
        if code:
            return code
        self.last_seq, self.flags = seq, flags
        self.fed = self.good_s = self.now
        if flags & 16 and self.now - self.held >= 1_000:
            self.trip(512)
        if flags & 8 and self.armed:
            self.renewed = self.now
        if asked == (0, 0):
            return 0
        needed = ({0} if oven else set()) | ({1, 2} if tank else set())
        code = 4 if self.trips else 5 if not self.armed else 0 if needed <= self.was_set else 6
        self.duty = [0, 0] if code else [oven, tank]
        return code

    def take_limit(self, sid: int, seq: int, which: int, limit: int) -> int:
        if which > 2 or not 3_000 <= limit <= (OVEN_CONSTANT, TANK_CONSTANT, TANK_CONSTANT)[which]:
            return 1
        if limit > self.limit[which] and self.duty[which > 0]:
            return 1
        code = self.foreign(sid, seq)
        if not code:
            self.last_seq = seq
            self.limit[which] = limit
            self.was_set.add(which)
        return code

    def hello(self) -> str:
        return f"B,1,1,{self.cause},{self.boots},{self.trips}"

    def telemetry(self) -> str:
        inputs = sum(bit for name, bit in BIT_OF.items() if self.contacts[name].state) + 32 * self.armed
        left = int(self.armed_until() - self.now) // 1_000 if self.armed else 0
        fields = [
            self.tseq, self.now, self.sid, *self.values, self.cold, self.letters, inputs, self.outputs,
            self.on_ms[0] % 65536, self.on_ms[1] % 65536, self.trips, left, self.arms, self.resets,
            self.last_seq, min(self.now - self.good_s, 65535), self.bad_frames, 0,
        ]  # fmt: skip
        self.tseq += 1
        return "T," + ",".join(map(str, fields))
