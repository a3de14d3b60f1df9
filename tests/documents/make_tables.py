"""Makes the tables of DEVELOPERS.md from the code: `python -m tests.documents.make_tables`."""

from __future__ import annotations

import re
from pathlib import Path

from controller.core.events import KINDS
from controller.core.program import TRANSITIONS
from controller.core.table import TABLE
from controller.profiles import program_schema_table
from controller.settings import settings_table

DOCUMENT = Path(__file__).parents[2] / "DEVELOPERS.md"


def phases() -> str:
    lines = ["```mermaid", "stateDiagram-v2"]
    lines += [f"    {start} --> {end}: {cause}" for (start, cause), end in TRANSITIONS.items()]
    return "\n".join([*lines, "```"])


def interlocks() -> str:
    lines = ["| row | zone | must hold | borne, s | kind | clears | what the smith reads |", "| --- " * 7 + "|"]
    for row in TABLE:
        below = f" - {row.clear_below_k:g}" if row.clear_below_k else ""
        falls = "" if row.clear is None else f"< {row.clear}{below}"
        if row.action == "trip" and row.latched:
            clears = f"by hand, {falls}" if falls else "by hand"
        else:
            clears = falls or "by itself"
        lines.append(
            f"| `{row.name}` | {row.zone} | `{row.fact}` < {row.limit} | {row.bear_s:g} | {row.action} | {clears} | "
            f"{row.text} |"
        )
    return "\n".join(lines)


def events() -> str:
    return "\n".join(
        ["| event | means |", "| --- | --- |", *(f"| `{kind}` | {text} |" for kind, text in KINDS.items())]
    )


PARTS = {
    "phases": phases,
    "interlocks": interlocks,
    "events": events,
    "settings": settings_table,
    "programs": program_schema_table,
}


def filled(text: str) -> str:
    """The document with every made part as the code makes it today."""
    for name, make in PARTS.items():
        pattern = re.compile(rf"(<!-- made: {name} -->\n).*?(<!-- end: {name} -->)", re.DOTALL)
        body = make().strip()
        text, found = pattern.subn(lambda match, body=body: f"{match[1]}{body}\n{match[2]}", text)  # type: ignore[misc]
        assert found == 1, name
    return text


if __name__ == "__main__":
    DOCUMENT.write_text(filled(DOCUMENT.read_text(encoding="utf-8")), encoding="utf-8")
