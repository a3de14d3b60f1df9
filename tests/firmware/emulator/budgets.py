"""How much of the chip the release binary uses."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import NamedTuple

from tests.firmware.emulator.rig import Bench
from tests.firmware.twin_rig import frame

FLASH_BUDGET = 16 * 1024
RAM_BUDGET = 1024
STACK_BUDGET = 512
RAM_END = 0x900


class Use(NamedTuple):
    """Bytes."""

    flash: int
    static_ram: int
    stack: int

    def text(self) -> str:
        return f"flash {self.flash} bytes, static RAM {self.static_ram}, stack high-water {self.stack}"


def static_end(elf: Path) -> int:
    """The first address behind everything that the linker placed in RAM."""
    symbols = subprocess.run(["avr-nm", str(elf)], capture_output=True, text=True, check=True).stdout
    ends = re.findall(r"^([0-9a-f]+) \w (?:_end|__noinit_end|__bss_end)$", symbols, re.MULTILINE)
    return max(int(end, 16) & 0xFFFF for end in ends)


def measured(elf: Path) -> Use:
    """Flash and RAM as the linker made them; the stack's depth after everything that makes it deep."""
    sizes = subprocess.run(["avr-size", "-A", str(elf)], capture_output=True, text=True, check=True).stdout
    section = {name: int(size) for name, size in re.findall(r"^\.(\w+)\s+(\d+)", sizes, re.MULTILINE)}
    end = static_end(elf)
    with Bench(power=False) as bench:
        machine = bench.board.machine
        bench.board.power_on()
        before = machine.ram(end, RAM_END - end)
        bench.heated(500, 500)
        for _ in range(60):
            bench.board.receive(frame("H,1,1") + frame(f"S,{bench.sid},{bench.seq + 1},1,1,4") + b"!" * 90)
            bench.pass_ms(35)
        bench.faults = ["O"] * 5
        bench.pass_ms(1_000)
        bench.hold_reset()
        bench.pass_ms(500)
        after = machine.ram(end, RAM_END - end)
    deepest = next(place for place, (a, b) in enumerate(zip(before, after, strict=True)) if a != b)
    return Use(section["text"] + section.get("data", 0), end - 0x100, len(before) - deepest)
