"""guard.c, compiled for this machine, with the face of the board twin: contacts, bytes, whole milliseconds."""

from __future__ import annotations

import hashlib
import os
import subprocess
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final

import cffi

from controller.sim.board_sensors import Sample
from controller.sim.board_store import TripStore

BOARD: Final = Path(__file__).parents[3] / "firmware_notes" / "board"
SHIM: Final = Path(__file__).parent / "shim.c"
COMPILER: Final = ("gcc", "-std=c11", "-O3", "-march=native", "-fPIC", "-shared", "-Wall", "-Wextra", "-Werror")
SAMPLE_MS, TELEMETRY_MS, WATCHDOG_MS = 200, 250, 250
INPUTS: Final = {
    "door_open": 1, "stop_closed": 2, "level_good": 4, "agitator_turning": 8, "smoke": 16,
    "arm_button": 64, "reset_button": 128,
}  # fmt: skip

ffi: Final = cffi.FFI()
ffi.cdef(
    """
    struct guard_sample { int32_t value[5]; int32_t cold; char letter[5]; };
    uint32_t board_bytes(void);
    uint32_t guard_bytes(void);
    void board_boot(void *board, uint8_t cause, uint16_t boots);
    void board_step(void *board);
    void board_run(void *board, uint32_t ms);
    void board_stall(void *board, uint32_t ms);
    void board_receive(void *board, const uint8_t *data, uint32_t length);
    void board_set(void *board, int what, int value);
    int board_get(void *board, int what);
    void board_sample(void *board, const struct guard_sample *sample);
    uint32_t board_take(void *board, char *data);
    uint8_t *board_cells(void *board);
    uint8_t *board_guard(void *board);
    uint8_t guard_boots(const uint8_t *cells, uint16_t *boots, uint8_t *record);
    uint32_t board_heat_after(void *board, uint32_t byte, uint32_t bit, uint32_t moment, uint32_t watched,
                              const char *frames);
    """
)
FITTED, CHIP, START_MS, CONTACTS, WELDED, OVERRUNS, STORE_LEFT, UPTIME_MS, OUTPUTS, TRIPS, ARMED = range(11)


def compiled(source: str, flags: tuple[str, ...] = ()) -> Path:
    """A library of `source` (a text of guard.c) and the shim, built once for each content."""
    parts = [source, SHIM.read_text(), *(path.read_text() for path in sorted(BOARD.glob("*.h"))), *COMPILER, *flags]
    digest = hashlib.sha256("\0".join(parts).encode()).hexdigest()[:20]
    place = Path(tempfile.gettempdir()) / f"ovenhand-tests-{os.getuid()}" / f"guard-{digest}"
    library = place / "guard.so"
    if library.exists():
        return library
    place.mkdir(mode=0o700, parents=True, exist_ok=True)
    (place / "guard.c").write_text(source)
    fresh = place / f"{os.getpid()}.so"
    words = [*COMPILER, *flags, "-iquote", str(place), "-iquote", str(BOARD), "-o", str(fresh), str(SHIM)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=place)
    if done.returncode:
        raise RuntimeError(done.stderr)
    fresh.rename(library)
    return library


@cache
def guard_text() -> str:
    return (BOARD / "guard.c").read_text()


@cache
def loaded(library: Path) -> Any:
    return ffi.dlopen(str(library))


@cache
def release() -> Any:
    return loaded(compiled(guard_text()))


class _Contact:
    def __set_name__(self, owner: type, name: str) -> None:
        self.bit = INPUTS[name]

    def __get__(self, board: HostBoard, owner: type) -> bool:
        return bool(board.get(CONTACTS) & self.bit)

    def __set__(self, board: HostBoard, closed: bool) -> None:
        old = board.get(CONTACTS)
        new = old | self.bit if closed else old & ~self.bit
        if new != old:
            board.set(CONTACTS, new)
            if board.powered:
                board.library.board_step(board.c)


class HostBoard:
    """`library`: another one than the release's, for mutants."""

    door_open, stop_closed, level_good, agitator_turning = _Contact(), _Contact(), _Contact(), _Contact()
    smoke, arm_button, reset_button = _Contact(), _Contact(), _Contact()

    def __init__(
        self, *, fitted: int, chip: int = 31855, boots: int = 1, eeprom: bytes | None = None, start_ms: int = 0,
        firmware: int = 1, library: Any = None,
    ) -> None:  # fmt: skip
        self.library = library or release()
        self._memory = ffi.new("uint8_t[]", self.library.board_bytes())
        self.c = ffi.cast("void *", self._memory)
        self.powered = False
        for what, value in ((FITTED, fitted), (CHIP, chip), (CONTACTS, 6), (STORE_LEFT, -1)):
            self.set(what, value)
        self._start_ms = start_ms
        self.boots = boots
        self._hang_ms = self._bite_ms = 0
        self._earlier = [0, 0]
        self._taken = [0, 0]
        self._seen = [0, 0]
        self._sent = b""
        self._room = ffi.new("char[]", 1 << 17)
        self.cells[:] = TripStore(eeprom).cells
        self._boot(1, start_ms)

    def set(self, what: int, value: int) -> None:
        self.library.board_set(self.c, what, value)

    def get(self, what: int) -> int:
        return int(self.library.board_get(self.c, what))

    @property
    def cells(self) -> Any:
        return ffi.buffer(self.library.board_cells(self.c), 12)

    @property
    def memory(self) -> Any:
        """The bytes of the guard's state, to read and to flip."""
        return ffi.buffer(self.library.board_guard(self.c), self.library.guard_bytes())

    # --- power ---

    def _boot(self, cause: int, start_ms: int = 0) -> None:
        self.powered = True
        self._hang_ms = self._bite_ms = 0
        self.set(START_MS, start_ms - (start_ms >> 31 << 32))
        self.library.board_boot(self.c, cause, self.boots)
        self._seen = [0, 0]

    def power_cut(self, torn_slots: int = 0) -> None:
        self._count()
        self.powered = False
        for start in (6, 0)[:torn_slots]:
            self.cells[start + 3 : start + 6] = b"\xff" * 3

    def power_on(self) -> None:
        self.reset(1)

    def reset(self, cause: int = 2) -> None:
        if self.powered:
            self._count()
        self.boots = (self.boots + 1) % 65536
        self._boot(cause)

    def hang(self, seconds: float) -> None:
        self._hang_ms, self._bite_ms = round(seconds * 1000), WATCHDOG_MS

    # --- what is seen ---

    @property
    def outputs(self) -> int:
        return self.get(OUTPUTS) if self.powered else 0

    oven_on = property(lambda self: bool(self.outputs & 1))
    tank_on = property(lambda self: bool(self.outputs & 2))
    contactor = property(lambda self: bool(self.outputs & 4))
    trips = property(lambda self: self.get(TRIPS))
    armed = property(lambda self: self.powered and bool(self.get(ARMED)))
    uptime_ms = property(lambda self: self.get(UPTIME_MS))

    def set_welded(self, oven: bool, tank: bool) -> None:
        self.set(WELDED, oven + 2 * tank)

    def _count(self) -> None:
        """The guard's on-times are 16 bits; they are gathered here."""
        for zone in (0, 1):
            now = self.get(20 + zone)
            self._earlier[zone] += (now - self._seen[zone]) % 65536
            self._seen[zone] = now

    def take_on_s(self) -> tuple[float, float]:
        if self.powered:
            self._count()
        answer = tuple((self._earlier[zone] - self._taken[zone]) / 1000 for zone in (0, 1))
        self._taken = list(self._earlier)
        return answer[0], answer[1]

    # --- time and bytes ---

    def advance(self, dt_ms: int, sense: Callable[[], Sample]) -> None:
        if dt_ms < 0:
            raise ValueError(f"time cannot go back by {-dt_ms} ms")
        if not self.powered:
            return
        if self._hang_ms:
            dt_ms = self._stand_still(dt_ms)
        while dt_ms > 0:
            run = min(dt_ms, SAMPLE_MS - self.uptime_ms % SAMPLE_MS)
            if (self.uptime_ms + run) % SAMPLE_MS == 0:
                self._wait_for(sense())
            self.library.board_run(self.c, run)
            self._count()
            self._listen()
            dt_ms -= run

    def _wait_for(self, sample: Sample) -> None:
        values, faults, cold = sample
        if len(faults) != 5 or set(faults) - set("-OGVRXN"):
            raise ValueError(f"fault letters {faults!r} are not five of -OGVRXN")
        self.library.board_sample(self.c, ffi.new("struct guard_sample *", [list(values), cold, faults.encode()]))

    def _stand_still(self, dt_ms: int) -> int:
        still = min(dt_ms, self._hang_ms, self._bite_ms)
        self._hang_ms -= still
        self._bite_ms -= still
        self.library.board_stall(self.c, still)
        on = self.outputs
        for zone in (0, 1):
            self._earlier[zone] += still * (on >> zone & 1)
        if self._bite_ms == 0:
            self.reset(8)
        elif self._hang_ms == 0:
            self.library.board_step(self.c)
            self._seen = [self.get(20), self.get(21)]
        return dt_ms - still

    def receive(self, data: bytes) -> None:
        if not self.powered or not data:
            return
        if self._hang_ms:
            self.set(OVERRUNS, self.get(OVERRUNS) + 1)
            return
        self.library.board_receive(self.c, data, len(data))
        self._listen()

    def _listen(self) -> None:
        length = self.library.board_take(self.c, self._room)
        if length:
            self._sent += ffi.buffer(self._room, length)[:]

    def transmit(self) -> bytes:
        self._listen()
        data, self._sent = self._sent, b""
        return data
