"""Builds the harness and the firmware, once for each content of their sources, whoever asks first.

`build.py` is run by the tests and the study; `python -m tests.firmware.emulator.build` only builds.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import Final

from tests.firmware.emulator.machine import BOARD_SOURCES

HARNESS_SOURCES: Final = Path(__file__).parent / "harness"
HARNESS_COMPILER: Final = ("gcc", "-O2", "-std=gnu11", "-Wall", "-Wextra", "-Werror")
NOT_SOURCES: Final = {"build", "__pycache__"}


def _built(name: str, sources: Iterable[Path], how: str, make: Callable[[Path], None]) -> Path:
    """The directory with what `make` made of these sources; made anew when one of them or `how` has changed."""
    digest = hashlib.sha256(how.encode())
    for source in sorted(sources):
        digest.update(source.name.encode() + b"\0" + source.read_bytes() + b"\0")
    place = Path(tempfile.gettempdir()) / f"ovenhand-tests-{os.getuid()}" / f"{name}-{digest.hexdigest()[:20]}"
    if place.is_dir():
        return place
    place.parent.mkdir(mode=0o700, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(dir=place.parent))
    make(fresh)
    try:
        fresh.rename(place)
    except OSError:  # another process was first
        shutil.rmtree(fresh)
    return place


def _run(words: list[str]) -> None:
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(words)}\n{done.stdout}{done.stderr}")


@cache
def harness() -> Path:
    """The emulated board's program. Its dynamic library is Debian's libsimavr."""

    def make(fresh: Path) -> None:
        sources = [str(source) for source in sorted(HARNESS_SOURCES.glob("*.c"))]
        _run([*HARNESS_COMPILER, "-o", str(fresh / "board"), *sources, "-lsimavr"])

    sources = [*HARNESS_SOURCES.glob("*.[ch]")]
    return _built("harness", sources, " ".join(HARNESS_COMPILER), make) / "board"


@cache
def firmware(chip: int | None = None, fitted: int | None = None) -> Path:
    """The release firmware's ELF, for the kit of `config.h` or for another chip and another sum of what is fitted."""
    wanted = {"CHIP": chip, "FITTED": fitted}
    defines = " ".join(f"-D{name}={value}" for name, value in wanted.items() if value is not None)

    def make(fresh: Path) -> None:
        _run(["make", "-C", str(BOARD_SOURCES), f"BUILD={fresh}", f"DEFINES={defines}"])

    sources = [path for path in BOARD_SOURCES.iterdir() if path.is_file() and path.suffix in ("", ".c", ".h")]
    return _built("firmware", sources, defines, make) / "ovenhand.elf"


if __name__ == "__main__":
    print(harness(), firmware(), sep="\n")
