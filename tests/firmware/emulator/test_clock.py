"""The board's milliseconds run over 2^32 (after 49.7 days) while it heats. The clock is set forward in its RAM."""

from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

from tests.firmware.emulator.build import firmware
from tests.firmware.emulator.campaigns import dead_man
from tests.firmware.emulator.rig import Bench

BEFORE_MS = 8_000


def clock_at(elf: Path) -> int:
    """Where the guard's `now` lies, its first member."""
    symbols = subprocess.run(["avr-nm", str(elf)], capture_output=True, text=True, check=True).stdout
    (address,) = re.findall(r"^([0-9a-f]+) \w guard(?:\.\S+)?$", symbols, re.MULTILINE)
    return int(address, 16) & 0xFFFF


def test_heat_arming_and_the_dead_man_go_on_over_the_wrap() -> None:
    with Bench() as bench:
        bench.until(600)
        at = clock_at(firmware(31855, 31))
        (now,) = struct.unpack("<I", bench.board.machine.ram(at, 4))
        assert 0 <= int(str(bench.telemetry()["ms"])) - now <= 300
        bench.board.machine.write_ram(at, struct.pack("<I", 2**32 - BEFORE_MS))
        assert int(str(bench.telemetry()["ms"])) > 2**32 - BEFORE_MS
        bench.greet()
        bench.limits()
        assert bench.duty() == 0
        bench.press()
        bench.stream(1_500, 1000)
        started = bench.board.on_s()[0]
        began = bench.board.now_ms
        while int(str(bench.telemetry()["ms"])) > 2**31:
            bench.stream(250, 1000)
            with bench.branch():
                result = dead_man(bench, 1)
                assert not result.failures, result.failures
        passed_s = (bench.board.now_ms - began) / 1000
        assert bench.board.on_s()[0] - started > passed_s - 0.1, "heat never paused"
        result = dead_man(bench, 20)
        assert not result.failures, result.failures
        bench.stream(250, 1000)
        telemetry = bench.telemetry()
        assert 850 < int(str(telemetry["arm_left_s"])) <= 900
        assert telemetry["trips"] == 0
        assert len(bench.board.resets) == 1
        print(f"{passed_s:.1f} s of heat through the wrap")
