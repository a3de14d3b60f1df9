"""The emulated board from Python: a process of the harness, its control channel, and what the pins are called.

Everything is lock-step: time moves only in `advance`, by the cycles that are asked for, and the bytes that are given
go onto the line at the line's own pace. The same calls on the same firmware give the same events, byte for byte.
"""

from __future__ import annotations

import os
import re
import signal
import struct
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple

CYCLES_A_MS: Final = 16_000
EEPROM_BYTES: Final = 1024
BOARD_SOURCES: Final = Path(__file__).resolve().parents[3] / "firmware_notes" / "board"
PINS, SENT, RESET, CRASH, OVERRUN, EEPROM = range(6)
"""Kinds of events."""
DIED: Final = 0xFFFFFFFF
JAM_NONE, JAM_WHEN_REACHED, JAM_NOW, JAM_NOW_NO_INTERRUPTS = range(4)


class Event(NamedTuple):
    """`cycle`: since the board was made, resets and power cuts included. a, b, c: see `harness/board.h`."""

    cycle: int
    kind: int
    a: int
    b: int
    c: int


class Happened(NamedTuple):
    """What an advance brought. received, lost, sent: bytes on the board's line since it was made."""

    cycle: int
    received: int
    lost: int
    sent: int
    powered: bool
    jammed: bool
    events: list[Event]


class EmulatorError(RuntimeError):
    """The emulator itself crashed or hung, in a branch: it says nothing about the firmware. The branch is left."""


def _how_it_died(status: int) -> str:
    """`status`: of wait(2)."""
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        return "hung" if number == signal.SIGPROF else f"crashed with {signal.Signals(number).name}"
    return f"ended with code {os.WEXITSTATUS(status)}"


@cache
def defines(sources: Path, fitted: int) -> str:
    """What the preprocessor makes of `pins.h`."""
    what = ["gcc", "-E", "-dM", f"-DFITTED={fitted}", str(sources / "pins.h")]
    return subprocess.run(what, capture_output=True, text=True, check=True).stdout


class PinMap:
    """`pins.h` of the firmware: name -> (port 0..2 for B, C, D; bit), and its plain numbers for what is fitted."""

    def __init__(self, fitted: int = 31, sources: Path = BOARD_SOURCES) -> None:
        text = (sources / "pins.h").read_text()
        self.pins = {
            name: ("BCD".index(port), int(bit))
            for name, port, bit in re.findall(r"^#define PIN_(\w+) ([BCD]), (\d)", text, re.MULTILINE)
        }
        self.numbers = {
            name: int(number)
            for name, number in re.findall(r"^#define (\w+) (\d+)$", defines(sources, fitted), re.MULTILINE)
        }

    def mask(self, *names: str) -> bytes:
        mask = [0, 0, 0]
        for name in names:
            port, bit = self.pins[name]
            mask[port] |= 1 << bit
        return bytes(mask)


class Machine:
    """One emulated microcontroller. Raises `EmulatorError` when it has died in a branch, and goes on before that one;
    `RuntimeError` with the harness's own words when it has died altogether.
    """

    def __init__(self, harness: Path, elf: Path) -> None:
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - not a pipe: nobody reads it while the emulator runs
        self._branches = 0
        self._process = subprocess.Popen(
            [str(harness), str(elf)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._errors
        )

    def close(self) -> None:
        """End the process."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout, self._errors):
            if pipe:
                pipe.close()

    def _ask(self, what: bytes, payload: bytes = b"") -> bytes:
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None
        assert stdout is not None
        try:
            stdin.write(what + struct.pack("<I", len(payload)) + payload)
            stdin.flush()
            head = stdout.read(4)
            if len(head) == 4:
                (length,) = struct.unpack("<I", head)
                if length == DIED:
                    (status,) = struct.unpack("<I", stdout.read(4))
                    self._branches -= 1
                    raise EmulatorError(f"the emulator {_how_it_died(status)}")
                return stdout.read(length)
        except BrokenPipeError:
            pass
        self._errors.seek(0)
        raise RuntimeError(f"the emulated board has died: {self._errors.read().decode(errors='replace')}")

    # --- time and the line ---

    def advance(self, cycles: int, data: bytes = b"") -> Happened:
        """`data` goes onto the line behind what waits there, `cycles` pass."""
        answer = self._ask(b"A", struct.pack("<Q", cycles) + data)
        *counts, powered, jammed, _, _ = struct.unpack_from("<4Q4B", answer)
        events = [Event(*fields) for fields in struct.iter_unpack("<Q4B", answer[36:])]
        return Happened(*counts, bool(powered), bool(jammed), events)

    def drop_pending(self) -> None:
        """What is still on the line never arrives."""
        self._ask(b"D")

    def line_pace(self, hundredths_of_cycles_a_byte: int) -> None:
        """How long the host's bytes take; 416667 is 38400 baud."""
        self._ask(b"B", struct.pack("<I", hundredths_of_cycles_a_byte))

    # --- pins ---

    def watch(self, mask: bytes, select: bytes) -> None:
        """Pins whose changes are events; port and bit of the decoder's three address lines."""
        self._ask(b"S", mask + select)

    def inputs(self, levels: bytes) -> None:
        self._ask(b"I", levels)

    def analogue(self, channel: int, millivolts: int) -> None:
        self._ask(b"N", struct.pack("<BI", channel, millivolts))

    def chip(
        self, place: int, *, kind: int, output: int, word: int, cold: int = 0, status: int = 0, dead: int = 0
    ) -> None:
        """What the chip of a sensor says from now on; see `harness/board.h`."""
        self._ask(b"C", struct.pack("<BBBBHHIB", place, 0, output, dead, kind, cold, word, status))

    def restart_chip(self, place: int) -> None:
        """A MAX31856 forgets its settings, as when its supply dipped."""
        self._ask(b"C", struct.pack("<BBBBHHIB", place, 1, 0, 0, 0, 0, 0, 0))

    # --- power, memories, faults ---

    def power_on(self, seed: int = 1) -> None:
        """RAM holds what the seed gives, the EEPROM what it held."""
        self._ask(b"P", struct.pack("<I", seed))

    def power_off(self) -> None:
        self._ask(b"O")

    def external_reset(self) -> None:
        self._ask(b"R")

    def eeprom(self) -> bytes:
        return self._ask(b"e", struct.pack("<II", 0, EEPROM_BYTES))

    def wear_out(self, cell: int) -> None:
        """This cell of the EEPROM takes no writing of the program's any more."""
        self._ask(b"W", struct.pack("<I", cell))

    def write_eeprom(self, cells: bytes, at: int = 0) -> None:
        self._ask(b"E", struct.pack("<I", at) + cells)

    def ram(self, at: int, number: int) -> bytes:
        """Data memory: 0 to 31 the registers, the stack at its end (0x8FF)."""
        return self._ask(b"m", struct.pack("<II", at, number))

    def write_ram(self, at: int, cells: bytes) -> None:
        self._ask(b"M", struct.pack("<I", at) + cells)

    def flip(self, at: int, bit: int) -> None:
        self.write_ram(at, bytes([self.ram(at, 1)[0] ^ 1 << bit]))

    def program_counter(self) -> int:
        """In bytes."""
        (pc,) = struct.unpack("<I", self._ask(b"c"))
        return int(pc)

    def jam(self, how: int, pc: int = 0) -> None:
        """An instruction becomes a jump on the spot, from now on or until `JAM_NONE`."""
        self._ask(b"J", struct.pack("<BI", how, pc))

    def trace_hash(self) -> int:
        """Of every event since the board was made."""
        (found,) = struct.unpack("<Q", self._ask(b"h"))
        return int(found)

    @contextmanager
    def branch(self) -> Iterator[None]:
        """What happens inside never was, once it is left; also when the emulator died inside."""
        outside = self._branches
        self._ask(b"K")
        self._branches += 1
        try:
            yield
        finally:
            if self._branches > outside:
                self._ask(b"Q")
                self._branches = outside

    # --- for tests of what is done when the emulator itself fails ---

    def patience(self, seconds: int) -> None:
        """A request that takes more of the processor's time than this hangs; 60 s unless told otherwise."""
        self._ask(b"Y", struct.pack("<I", seconds))

    def fail(self, *, hang: bool) -> None:
        """The emulator crashes, or does not come back."""
        self._ask(b"X", bytes([hang]))
