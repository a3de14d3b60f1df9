"""The sources of the board compile without a warning for every chip, fit, and stand up to the analysers."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.firmware.guard.host import BOARD

FLASH_BYTES, RAM_BYTES = 16 * 1024, 1024
STRICT = (
    "-std=c11", "-Wall", "-Wextra", "-Werror", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Wstrict-prototypes",
)  # fmt: skip
DEVIATIONS = Path(__file__).parent / "cppcheck-deviations.txt"
DEVELOPERS = Path(__file__).parents[3] / "DEVELOPERS.md"


def run(*words: str) -> str:
    done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=BOARD)
    assert done.returncode == 0, f"{' '.join(words)}\n{done.stdout}{done.stderr}"
    return done.stdout + done.stderr


@pytest.mark.parametrize("chip", [31855, 31856, 6675])
@pytest.mark.parametrize("fitted", [1, 31, 2047])
def test_every_chip_compiles_without_a_warning_and_fits(chip: int, fitted: int, tmp_path: Path) -> None:
    run("make", f"BUILD={tmp_path}", f"DEFINES=-DCHIP={chip} -DFITTED={fitted}")
    sizes = run("avr-size", "-A", str(tmp_path / "ovenhand.elf"))
    section = {name: int(size) for name, size in re.findall(r"^\.(\w+)\s+(\d+)", sizes, re.MULTILINE)}
    flash = section["text"] + section["data"]
    ram = section["data"] + section["bss"] + section.get("noinit", 0)
    print(f"MAX{chip}, fitted {fitted}: flash {flash} bytes, static RAM {ram}")
    assert flash < FLASH_BYTES
    assert ram < RAM_BYTES
    assert (tmp_path / "ovenhand.hex").stat().st_size > 2 * flash


@pytest.mark.parametrize("define", ["-DCHIP=31865", "-DFITTED=2048", "-DMAINS_HZ=55"])
def test_a_kit_that_does_not_exist_does_not_compile(define: str, tmp_path: Path) -> None:
    done = subprocess.run(
        ["make", f"BUILD={tmp_path}", f"DEFINES={define}"], cwd=BOARD, capture_output=True, text=True, check=False
    )
    assert done.returncode != 0
    assert "must be" in done.stderr


def test_the_compilers_analyser_finds_nothing() -> None:
    run("gcc", *STRICT, "-O2", "-fanalyzer", "-c", "guard.c", "-o", "/dev/null")


def test_cppcheck_finds_nothing() -> None:
    """What is left is written down, with its reason."""
    known = [line.split("  # ") for line in DEVIATIONS.read_text().splitlines() if not line.startswith("#")]
    assert all(len(parts) == 2 for parts in known)
    suppressed = [f"--suppress={parts[0]}" for parts in known]
    run(
        "cppcheck", "--quiet", "--error-exitcode=1", "--std=c11", "--platform=avr8", "--inconclusive",
        "--enable=warning,style,performance,portability", "-DCHIP=31855", "-DFITTED=2047", *suppressed, "guard.c",
    )  # fmt: skip


def misra_reports(source: str) -> set[str]:
    """Numbers of the rules that cppcheck's addon finds broken in it and in its headers."""
    words = [
        "cppcheck", "--quiet", "--addon=misra", "--std=c11", "--platform=avr8", "--enable=style",
        "-DCHIP=31855", "-DFITTED=2047", "--template={id}", source,
    ]  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, check=True, cwd=BOARD)
    return set(re.findall(r"^misra-c2012-([\d.]+)$", done.stderr, re.MULTILINE))


@pytest.mark.parametrize("source", ["guard.c", "main.c"])
def test_of_misra_only_what_is_written_down_is_reported(source: str) -> None:
    rows = re.findall(r"^\| ([\d., ]+) \| ([a-z., ]+) \| .{20,} \|$", DEVELOPERS.read_text(), re.MULTILINE)
    known = {rule for rules, sources in rows if source in sources for rule in rules.split(", ")}
    assert len(known) > 5
    assert misra_reports(source) == known


def test_a_new_deviation_from_misra_would_be_reported(tmp_path: Path) -> None:
    source = tmp_path / "jump.c"
    source.write_text("int jump(int a)\n{\nagain:\n    if (a > 9) { a--; goto again; }\n    return a;\n}\n")
    assert "15.1" in misra_reports(str(source))


def test_the_sketch_holds_no_code_and_the_guard_no_header_of_the_chip() -> None:
    sketch = (BOARD / "board.ino").read_text()
    assert all(line.startswith("//") for line in sketch.splitlines())
    included = set(re.findall(r"#include [<\"](.+)[>\"]", (BOARD / "guard.c").read_text()))
    assert included == {"guard.h", "config.h", "limits.h", "stddef.h", "string.h"}
    assert set(re.findall(r"#include [<\"](.+)[>\"]", (BOARD / "guard.h").read_text())) == {"stdbool.h", "stdint.h"}
