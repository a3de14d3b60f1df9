"""A bench for the board twin. Frames are made and taken apart by hand, independently of `controller.wire`."""

from __future__ import annotations

from binascii import crc_hqx

from controller.sim.board import Board, Sample

EVERYTHING = 2047
OVEN_AND_TANK = 1 | 2 | 4 | 8 | 16
CONTACTOR, WORK, TRIP = 4, 8, 16

TELEMETRY = (
    "tseq", "ms", "sid", "oven", "oven_limit", "tank", "tank_limit", "part", "cold", "faults", "inputs",
    "outputs",
    "oven_on_ms", "tank_on_ms", "trips", "arm_left_s", "arms", "resets", "last_seq", "age_ms", "bad_frames",
    "overruns",
)  # fmt: skip
GREETING = (
    "proto", "firmware", "layout", "sid", "chip", "oven_flash", "tank_flash", "oven_limit", "tank_off",
    "tank_limit", "fitted", "window_ms",
)  # fmt: skip


def crc(body: bytes) -> int:
    """CRC-16, polynomial 0x1021, initial value 0xFFFF, bit by bit."""
    register = 0xFFFF
    for byte in body:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    return register


def frame(body: str) -> bytes:
    raw = body.encode()
    return b"!" + raw + f"*{crc(raw):04X}\n".encode()


def bodies(data: bytes) -> list[list[str]]:
    """The fields of every frame; fails on anything that is not a whole, well-formed frame."""
    found = []
    for line in data.splitlines(keepends=True):
        assert line.startswith(b"!"), line
        assert line.endswith(b"\n"), line
        assert len(line) <= 180, line
        body, check = line[1:-1].rsplit(b"*", 1)
        assert int(check, 16) == crc(body), line
        found.append(body.decode().split(","))
    return found


class Rig:
    """A board with its sensors in the tester's hand, in hundredths of °C as the board sees them."""

    def __init__(self, fitted: int = OVEN_AND_TANK, **board: object) -> None:
        self.board = Board(fitted=fitted, **board)  # type: ignore[arg-type]
        self.values = [2_000] * 5
        self.faults = ["-"] * 5
        self.cold = 2_100
        self.samples = 0
        self.sid = self.seq = 0
        self.heard: list[list[str]] = []

    def sense(self) -> Sample:
        self.samples += 1
        return Sample(tuple(self.values), "".join(self.faults), self.cold)  # type: ignore[arg-type]

    # --- time ---

    def pass_ms(self, ms: int) -> None:
        """Time passes, with nothing from the host."""
        self.board.advance(ms, self.sense)
        self._listen()

    def until(self, uptime_ms: int) -> None:
        self.pass_ms(uptime_ms - self.board.uptime_ms)

    def run(self, ms: int, oven: int = 0, tank: int = 0, flags: int = CONTACTOR) -> None:
        """Time passes, the host repeats its S every 250 ms, the first one now."""
        left = ms
        while left > 0:
            self.duty(oven, tank, flags)
            self.pass_ms(min(left, 250))
            left -= 250

    def keep(self, until_ms: int, oven: int = 0, flags: int = CONTACTOR, every_ms: int = 1_900) -> None:
        """The same S again and again until that uptime: for hours, so the answers are not looked at."""
        board = self.board
        while board.uptime_ms < until_ms:
            self.seq = (self.seq + 1) % 65536
            body = b"S,%d,%d,%d,0,%d" % (self.sid, self.seq, oven, flags)
            board.receive(b"!%b*%04X\n" % (body, crc_hqx(body, 0xFFFF)))
            board.advance(min(every_ms, until_ms - board.uptime_ms), self.sense)
            board.transmit()

    def press(self, ms: int = 60) -> None:
        """The arm button is down for `ms`, after 50 ms of not being touched."""
        self.pass_ms(50)
        self.board.arm_button = True
        self.pass_ms(ms)
        self.board.arm_button = False

    def hold_reset(self, ms: int = 2_000) -> None:
        self.pass_ms(100)
        self.board.reset_button = True
        self.pass_ms(ms)
        self.board.reset_button = False

    # --- frames ---

    def _listen(self) -> list[list[str]]:
        new = bodies(self.board.transmit())
        self.heard += new
        return new

    def say(self, *lines: str) -> list[list[str]]:
        """Send frames now; the answers, without telemetry."""
        self._listen()
        for line in lines:
            self.board.receive(frame(line))
        return [fields for fields in self._listen() if fields[0] != "T"]

    def greet(self, lowest: int = 1, highest: int = 1) -> dict[str, int]:
        hello, answer = self.say(f"H,{lowest},{highest}")
        assert (hello[0], answer[0]) == ("B", "H")
        found = dict(zip(GREETING, map(int, answer[1:]), strict=True))
        self.sid, self.seq = found["sid"], 0
        return found

    def _answer(self, line: str, seq: int) -> int:
        ((kind, echoed, code),) = self.say(line)
        assert (kind, int(echoed)) == ("A", seq)
        return int(code)

    def duty(
        self,
        oven: int = 0,
        tank: int = 0,
        flags: int = CONTACTOR,
        *,
        sid: int | None = None,
        seq: int | None = None,
    ) -> int:
        """Send an S; the code of its answer. Without `seq` the next one is used."""
        if seq is None:
            seq = self.seq = (self.seq + 1) % 65536
        return self._answer(f"S,{self.sid if sid is None else sid},{seq},{oven},{tank},{flags}", seq)

    def limit(self, which: int, limit: int, *, sid: int | None = None, seq: int | None = None) -> int:
        if seq is None:
            seq = self.seq = (self.seq + 1) % 65536
        return self._answer(f"L,{self.sid if sid is None else sid},{seq},{which},{limit}", seq)

    def limits(self, oven: int = 30_000, tank_off: int = 9_000, tank: int = 10_500) -> None:
        assert [self.limit(0, oven), self.limit(1, tank_off), self.limit(2, tank)] == [0, 0, 0]

    # --- what is seen ---

    def telemetry(self) -> dict[str, object]:
        """The telemetry of the next 250 ms at most, with whole numbers where the field is one."""
        self._listen()
        start = len(self.heard)
        self.pass_ms(250 - self.board.uptime_ms % 250)
        frames = [fields for fields in self.heard[start:] if fields[0] == "T"]
        return {
            name: value if name == "faults" else int(value)
            for name, value in zip(TELEMETRY, frames[-1][1:], strict=True)
        }

    def ready(self) -> Rig:
        """Greeted, limited, armed, on a window's edge, heaters cold."""
        if self.board.uptime_ms < 500:
            self.until(500)
        self.greet()
        self.limits()
        self.press()
        assert self.board.armed
        self.run(1000 - self.board.uptime_ms % 1000)
        return self
