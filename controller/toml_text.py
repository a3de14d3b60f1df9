"""A TOML text as far as it can be read: a bad line costs that line, and every key knows where it stands.

`tomllib` stops at the first line that it cannot read and gives no lines for keys; a person wants all of it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

MOST_CHARACTERS: Final = 65_536
MOST_LINES_MENDED: Final = 20
"""A text with more lines than this that are not TOML is not a text of ours: the rest is not looked at."""

Path = tuple[str | int, ...]


class Fault(NamedTuple):
    """One thing that is wrong. `where` is "" for the whole text, `line` None where there is no line.

    Codes: too_long, syntax, unknown_key, missing, wrong_type, out_of_range, not_allowed.
    """

    where: str
    line: int | None
    code: str
    text: str


class TextError(ValueError):
    """A text that cannot be used, with every fault found in it, in the order of its lines."""

    def __init__(self, name: str, faults: Iterable[Fault]) -> None:
        self.name = name
        self.faults = tuple(sorted(faults, key=lambda fault: fault.line or MOST_CHARACTERS))
        super().__init__("\n".join(self.lines()))

    def lines(self) -> tuple[str, ...]:
        """One line a fault, with the name of the text and the line in front."""
        return tuple(
            f"{self.name}{f', line {fault.line}' if fault.line else ''}: {fault.text}" for fault in self.faults
        )


class Parsed(NamedTuple):
    """A TOML text as far as it could be read. `lost`: keys whose lines could not be."""

    tree: dict[str, Any]
    lines: Mapping[Path, int]
    lost: frozenset[Path]
    faults: tuple[Fault, ...]


def where(path: Path) -> str:
    """A place for people: "oven.limit_c", "tempers 2: soak_min"."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f" {part + 1}:"
        else:
            text += ("" if not text else " " if text.endswith(":") else ".") + part
    return text.removesuffix(":")


def shown(value: object) -> str:
    """A value as a sentence may quote it: short, on one line, never a failure, and without addresses: what a sentence
    says may be in a log for years, and the address of an alert holds its password."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if value.bit_length() < 64 else "a number with far too many digits"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, str):
        value = _ADDRESS.sub(lambda found: f"{found[1] or ''}…", value)
        plain = "".join(letter if letter.isprintable() else "?" for letter in value[:60])
        return f'"{plain}…"' if len(value) > 60 else f'"{plain}"'
    if isinstance(value, Mapping):
        return "a table"
    return f"a list of {len(value)}" if isinstance(value, (list, tuple)) else f"a {type(value).__name__}"


_ADDRESS: Final = re.compile(r"(?:(://|mailto:)|[^\s@]+@).*", re.DOTALL)
"""An address from where its secrets may begin, with all that follows it."""
_SECRET_KEY: Final = re.compile(r"""((?:url|channel|alert|password|secret|token)\w*["']?\s*[=:]?).+""", re.IGNORECASE)
"""A key that may hold an address or stand before one, with all that follows it, whatever stands between the two."""
KEYS_OF_ALERTS: Final = frozenset(
    {"alerts", "channel", "name", "url", "urgency", "after_min", "quiet_from", "quiet_until"}
)
"""What a fault may quote of [alerts]: any other word there may be a password in the wrong place."""
_BARE = r'(?:[A-Za-z0-9_-]+|"[^"\\]*"|\'[^\']*\')'
_DOTTED: Final = re.compile(rf"\s*({_BARE}(?:\s*\.\s*{_BARE})*)\s*=")
_HEADER: Final = re.compile(rf"\s*(\[\[?)\s*({_BARE}(?:\s*\.\s*{_BARE})*)\s*\]{{1,2}}")
_PART: Final = re.compile(_BARE)
_AT_LINE: Final = re.compile(r"^(.*) \(at line (\d+), column \d+\)$", re.DOTALL)

_ADVICE: Final = (
    ("Invalid value", 'numbers stand bare (300), text in quotes ("canola"), yes and no are true and false'),
    ("Expected newline", "a line holds one key = value; a unit or a word after it goes behind a #"),
    ("Cannot overwrite", "the key or table is there already; keep one of the two"),
    ("Cannot declare", "the table is there already; keep one of the two"),
    ("Cannot mutate", "the key or table is there already; keep one of the two"),
    ("Cannot redefine", "the key or table is there already; keep one of the two"),
    ("Duplicate inline", "the key is there already; keep one of the two"),
    ("Expected '='", "a line is key = value, a table begins with [name], a note with #"),
    ("Invalid statement", "a line is key = value, a table begins with [name], a note with #"),
    ("Unterminated string", "the closing quote is missing"),
    ("Illegal character '\\n'", "the closing quote is missing"),
)


def read_toml(text: str) -> Parsed:
    """The tables of a TOML text. A line that cannot be read is a fault and is left out, the rest is read."""
    if len(text) > MOST_CHARACTERS:
        size = f"The text has {len(text):,} characters; right are at most {MOST_CHARACTERS:,}, a few kB are usual."
        return Parsed({}, {}, frozenset(), (Fault("", None, "too_long", size),))
    # The line break at the end keeps a fault of the last line on that line instead of "at end of document".
    rows = [*text.removeprefix("\ufeff").replace("\r\n", "\n").split("\n"), ""]
    written = tuple(rows)
    lines, paths = _key_lines(rows)
    faults: list[Fault] = []
    lost: set[Path] = set()
    while True:
        try:
            return Parsed(tomllib.loads("\n".join(rows)), lines, frozenset(lost), tuple(faults))
        except tomllib.TOMLDecodeError as error:
            place = _AT_LINE.match(str(error))
            at = int(place.group(2)) if place else None
            row = rows[at - 1] if at else ""
            faults.append(_syntax_fault(str(error), place, _without_secrets(written, at or 0)))
            if at is None or row.strip()[:1] in ("", "[") or len(faults) >= MOST_LINES_MENDED:
                break
            rows[at - 1] = ""
            if at in paths:
                lost.add(paths[at])
        except (ValueError, RecursionError):
            reason = "The text cannot be read: a number or a list in it is far too long or too deep."
            faults.append(Fault("", None, "syntax", reason))
            break
    faults.append(Fault("", None, "syntax", "The rest was not looked at: mend the line above first, then check again."))
    return Parsed({}, lines, frozenset(lost), tuple(faults))


def _syntax_fault(message: str, place: re.Match[str] | None, row: str) -> Fault:
    plain = place.group(1) if place else message.removesuffix(" (at end of document)")
    advice = next((text for start, text in _ADVICE if plain.startswith(start)), plain)
    what = shown(row) if row else "the text"
    return Fault("", int(place.group(2)) if place else None, "syntax", f"{what} is not TOML: {advice}.")


def _without_secrets(rows: Sequence[str], at: int) -> str:
    """The line (from 1) as a fault may quote it: a header alone, of [alerts] a key of ours, else without addresses."""
    row = rows[at - 1].strip() if at else ""
    secret = _in_alerts(rows[: at - 1]) if at else False
    if row.startswith("["):
        header = _HEADER.match(row)
        if header is None:
            return ""
        if (secret or _of_alerts(header.group(2))) and not KEYS_OF_ALERTS.issuperset(_parts(header.group(2))):
            return ""
        return header.group() if header.end() == len(row) else f"{header.group()} …"
    key = _DOTTED.match(row)
    if secret or (key and _of_alerts(key.group(1))):
        return f"{key.group().strip()} …" if key and KEYS_OF_ALERTS.issuperset(_parts(key.group(1))) else ""
    return _SECRET_KEY.sub(lambda found: f"{found[1].rstrip()} …", row)


def _in_alerts(rows: Sequence[str]) -> bool:
    """Whether what follows these lines may belong to [alerts], misspelt or as a key with dots too."""
    for row in reversed(rows):
        if header := _HEADER.match(row):
            return _of_alerts(header.group(2))
        if (key := _DOTTED.match(row)) and _of_alerts(key.group(1)):
            return True
    return False


def _of_alerts(dotted: str) -> bool:
    return any(part.lower().startswith(("alert", "channel")) for part in _parts(dotted))


def _key_lines(rows: list[str]) -> tuple[dict[Path, int], dict[int, Path]]:
    """Where each key and table stands (line numbers from 1), and what stands on a line."""
    lines: dict[Path, int] = {}
    paths: dict[int, Path] = {}
    counts: dict[Path, int] = {}
    inside: Path = ()
    open_quotes = ""
    for at, row in enumerate(rows, 1):
        if open_quotes:
            open_quotes = "" if open_quotes in row else open_quotes
            continue
        open_quotes = next((quotes for quotes in ('"""', "'''") if row.count(quotes) % 2), "")
        if header := _HEADER.match(row):
            inside = ()
            parts = _parts(header.group(2))
            for depth, part in enumerate(parts, 1):
                inside = (*inside, part)
                if depth == len(parts) and header.group(1) == "[[":
                    counts[inside] = counts.get(inside, -1) + 1
                if inside in counts:
                    lines.setdefault(inside, at)
                    inside = (*inside, counts[inside])
            lines.setdefault(inside, at)
        elif key := _DOTTED.match(row):
            path = (*inside, *_parts(key.group(1)))
            lines.setdefault(path, at)
            paths[at] = path
    return lines, paths


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(dotted)]


def line_of(parsed: Parsed, path: Path) -> int | None:
    """The line of a key, or of the innermost table around it that has one."""
    for length in range(len(path), 0, -1):
        if path[:length] in parsed.lines:
            return parsed.lines[path[:length]]
    return None
