"""The same core, wire and simulated shop as the campaigns' interpreter runs, compiled by mypyc into a copy of the tree.

A campaign of 100,000 worlds takes half a day in plain Python. Nothing in the sources is written for this, the program
itself never runs so, and `same` first plays a few worlds both ways: a compiled copy that differs is not used.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

PARTS: Final = ("core", "wire", "sim")
SINGLE: Final = (
    "controller/model.py", "controller/thermocouple.py",
    "tests/study/book.py", "tests/study/judge.py", "tests/study/line.py", "tests/study/world.py",
)  # fmt: skip
# What mypyc 2.4 cannot do: a class that reads its own __slots__, a descriptor, tuples of many floats in a module,
# and classes that the worlds copy half-way.
LEFT: Final = (
    "core/facts.py", "sim/board.py", "sim/oil.py", "sim/oven.py", "sim/tank.py", "sim/probes.py", "sim/shop.py",
)  # fmt: skip
ROOT: Final = Path(__file__).parents[2]
SETUP: Final = """
from mypyc.build import mypycify
from setuptools import setup
setup(name="fast", packages=[], ext_modules=mypycify(["--explicit-package-bases", *{files!r}], opt_level="2"))
"""
PLAYED: Final = """
import sys
from controller.core import tick
from tests.study.campaign import one
print(tick.__file__.endswith(".so"))
for seed in range(int(sys.argv[1]), int(sys.argv[2])):
    print(one(seed))
"""
TRIED: Final = (1, 41)


def compiled(place: Path) -> None:
    """Fill `place` with a copy of the tree, compiled; a minute or two. CalledProcessError where that fails."""
    for name in ("controller", "tests", "profiles"):
        shutil.copytree(ROOT / name, place / name, ignore=shutil.ignore_patterns("__pycache__", "*.so"))
    found = sorted(file for part in PARTS for file in (place / "controller" / part).glob("*.py"))
    names = [str(file.relative_to(place)) for file in found if file.name != "__init__.py"]
    files = [name for name in (*names, *SINGLE) if name.removeprefix("controller/") not in LEFT]
    (place / "setup.py").write_text(SETUP.format(files=files), "utf-8")
    subprocess.run(
        [sys.executable, "setup.py", "--quiet", "build_ext", "--inplace"], cwd=place, check=True, capture_output=True
    )


def played(place: Path, seeds: tuple[int, int]) -> list[str]:
    """`True` for a compiled core, then a line for each of these worlds, played in the tree at `place`."""
    asked = [sys.executable, "-c", PLAYED, *map(str, seeds)]
    return subprocess.run(asked, cwd=place, check=True, capture_output=True, text=True).stdout.splitlines()


def same(place: Path, seeds: tuple[int, int] = TRIED) -> bool:
    """Whether the copy at `place` is compiled and plays these worlds as the sources do."""
    return played(place, seeds) == ["True", *played(ROOT, seeds)[1:]]


def study(place: Path, arguments: Sequence[str]) -> int:
    """`python -m tests.study` with these arguments, in the compiled copy; its exit code."""
    return subprocess.run([sys.executable, "-m", "tests.study", *arguments], cwd=place, check=False).returncode
