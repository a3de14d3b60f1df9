"""`python -m tests.study.prove`, after `mutmut run`: the table by file, and every survivor that has no written reason.

The reasons stand in `mutants/FILE.csv` (function, the changed lines before and after, reason): a mutant's number moves
with every edit, its lines do not.
"""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Final, NamedTuple

REASONS: Final = Path(__file__).parent / "mutants"
MUTMUT: Final = str(Path(sys.executable).parent / "mutmut")
_NAME: Final = re.compile(r"controller\.core\.(\w+)\.(x_\w+?|xǁ\w+?ǁ\w+?)__mutmut_\d+: (.+)")


class Mutant(NamedTuple):
    """One line of mutmut's results. `name` as mutmut has it, `file` and `function` as a person would say them."""

    name: str
    file: str
    function: str
    status: str


class Change(NamedTuple):
    """What a mutant changes: stripped lines, several joined by ` / `."""

    function: str
    before: str
    after: str


def mutant(line: str) -> Mutant | None:
    """A line of `mutmut results`, or None for any other line."""
    found = _NAME.fullmatch(line.strip())
    if not found:
        return None
    file, mangled, status = found.groups()
    function = mangled[2:] if mangled.startswith("x_") else ".".join(mangled.removeprefix("xǁ").split("ǁ"))
    return Mutant(line.strip().split(": ")[0], file, function, status)


def change(function: str, diff: str) -> Change:
    """From a unified diff."""
    lines = [line for line in diff.splitlines() if not line.startswith(("---", "+++"))]
    before, after = (" / ".join(line[1:].strip() for line in lines if line[:1] == sign) for sign in "-+")
    return Change(function, before, after)


def reasons(file: str, directory: Path = REASONS) -> dict[Change, str]:
    """The accepted survivors of one source file. ValueError for a row without a reason."""
    path = directory / f"{file}.csv"
    if not path.exists():
        return {}
    found: dict[Change, str] = {}
    with path.open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            if not (row["reason"] or "").strip():
                raise ValueError(f"{path.name}: {row['function']}, {row['after']}: no reason is given")
            found[Change(row["function"], row["before"], row["after"])] = row["reason"]
    return found


def _asked(*words: str) -> str:
    return subprocess.run([MUTMUT, *words], check=True, capture_output=True, text=True).stdout


def main() -> int:
    """0: every mutant was tried, and each that lives has its reason."""
    mutants = [found for line in _asked("results", "--all", "true").splitlines() if (found := mutant(line))]
    counts = Counter((one.file, one.status) for one in mutants)
    unexplained: list[str] = []
    accepted: Counter[str] = Counter()
    for one in mutants:
        if one.status == "killed":
            continue
        changed = change(one.function, _asked("show", one.name)) if one.status == "survived" else None
        if changed in reasons(one.file):
            accepted[one.file] += 1
        else:
            unexplained.append(f"{one.name}: {one.status}\n    - {changed.before}\n    + {changed.after}"
                               if changed else f"{one.name}: {one.status}")  # fmt: skip
    print("| file | mutants | killed | with a written reason | without |")
    print("| --- | --- | --- | --- | --- |")
    for file in sorted({one.file for one in mutants}):
        total = sum(count for (name, _), count in counts.items() if name == file)
        killed = counts[file, "killed"]
        print(f"| {file} | {total} | {killed} | {accepted[file]} | {total - killed - accepted[file]} |")
    print("\n".join(unexplained))
    return 0 if mutants and not unexplained else 1


if __name__ == "__main__":
    sys.exit(main())
