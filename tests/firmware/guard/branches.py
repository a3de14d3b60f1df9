"""Which branches of guard.c its tests never take: `python -m tests.firmware.guard.branches` (two minutes).

gcc's own count: every && and || of a condition has two branches. Prints those that are not taken and not in `NEVER`;
exit code 1 when there is one, or when one of `NEVER` is taken after all.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Final, NamedTuple

import pytest

from tests.firmware.guard import host

FLAGS: Final = ("gcc", "-std=c11", "-O0", "--coverage", "-fPIC", "-shared")
NOT_OF_THE_LIBRARY: Final = ("test_mutants.py", "test_build.py")


class Never(NamedTuple):
    """`text`: a line of guard.c, `branches`: how many of its branches are never taken."""

    text: str
    branches: int
    reason: str


NEVER: Final = (
    Never(
        "if (standing(g) != 0 || g->armed != SURE || g->sid == 0 || !stable(g, CONTACT_STOP)) {", 4,
        "`permits` is asked only where the contactor may be on, which asks the same four: said twice on purpose",
    ),
    Never(
        "return (g->flags & FLAG_CONTACTOR) != 0 && g->armed == SURE && g->sid != 0 && standing(g) == 0 &&", 1,
        "whatever trips disarms in the same call, so an armed board has no trip: said twice on purpose",
    ),
    Never(
        "const bool its_time = zone == 0 ? into < g->on[0] : into + g->on[1] >= WINDOW_MS && g->on[1] != 0;", 1,
        "without an on-time the sum never reaches the window, as long as `into` lies in it",
    ),
    Never(
        "if (ready && its_time && allowed[zone]) {", 1,
        "a zone that is not allowed has lost its on-time three lines before: said twice on purpose",
    ),
    Never(
        "const bool speaks = range[0] <= PROTOCOL && PROTOCOL <= range[1];", 1,
        "the host's greatest version is at least 1, and PROTOCOL is 1: for later versions",
    ),
)  # fmt: skip


def not_taken(report: str) -> Counter[str]:
    """Of gcov's report: the lines that have branches which were never taken, and how many."""
    found: Counter[str] = Counter()
    line = ""
    for row in report.splitlines():
        if row.startswith("branch"):
            found[line] += "taken 0" in row or "never executed" in row
        elif row.count(":") >= 2 and not row.startswith(("call", "function")):
            line = row.split(":", 2)[2].strip()
    return +found


def surprises(found: Counter[str]) -> list[str]:
    """What is not taken and should be, and what is taken against `NEVER`."""
    known = Counter({never.text: never.branches for never in NEVER})
    return [
        f"{line}: {found[line]} branches not taken, {known[line]} known"
        for line in sorted(found | known)
        if found[line] != known[line]
    ]


def count() -> int:
    """Run the guard's tests on a library that counts; what it counted is written when this process ends."""
    host.COMPILER = FLAGS  # type: ignore[misc]
    here = Path(__file__).parent
    left_out = [f"--ignore={here / name}" for name in NOT_OF_THE_LIBRARY]
    return int(pytest.main(["-n0", "-q", "-p", "no:cacheprovider", *left_out, str(here)]))


def main() -> int:
    if sys.argv[1:] == ["--count"]:
        return count()
    with tempfile.TemporaryDirectory() as directory:
        words = [sys.executable, "-m", "tests.firmware.guard.branches", "--count"]
        failed = subprocess.run(words, env=os.environ | {"TMPDIR": directory}, check=False).returncode
        (data,) = Path(directory).rglob("*.gcda")
        words = ["gcov", "-b", "-c", "-o", ".", data.name]
        said = subprocess.run(words, cwd=data.parent, capture_output=True, text=True, check=True).stdout
        report = (data.parent / "guard.c.gcov").read_text()
    print(next(part for part in said.split("\n\n") if "guard.c'" in part.splitlines()[0]))
    found = surprises(not_taken(report))
    print("\n".join(found) or f"taken: all but the {sum(never.branches for never in NEVER)} that never are")
    return 1 if failed or found else 0


if __name__ == "__main__":
    sys.exit(main())
