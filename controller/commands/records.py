"""`ovenhand records`: look into the record book, export it, check it, copy it; the service may be running."""

from __future__ import annotations

import json
import os
import sys
import time
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final, TypeVar

from controller.records import (
    Book,
    RecordsError,
    database_path,
    default_data_directory,
    in_words,
    readable,
    restore,
    run_json,
    trace_csv,
)

T = TypeVar("T")


def add_arguments(parser: ArgumentParser) -> None:
    """The words after `ovenhand records`."""
    parser.description = "The record book. It may be read, exported and copied while the service runs."
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    listing = _action(actions, "list", "the runs, newest first", _list)
    listing.add_argument("--limit", type=whole_number, default=20, metavar="N", help="at most N runs (20)")
    listing.add_argument("--json", action="store_true", help="as JSON")

    show = _action(actions, "show", "one run: how it went, its tempers and what happened", _show)
    _add_run(show)
    show.add_argument("--json", action="store_true", help="as JSON")

    dips = _action(actions, "quenches", "what went into the oil and how far it warmed it, newest first", _quenches)
    dips.add_argument("--limit", type=whole_number, default=20, metavar="N", help="at most N quenches (20)")
    dips.add_argument("--json", action="store_true", help="as JSON")

    export = _action(actions, "export", "one run for a spreadsheet, with everything (JSON) or to print (PDF)", _export)
    _add_run(export)
    export.add_argument("--format", default="csv", choices=("csv", "json", "pdf"), help="csv (default), json, pdf")
    export.add_argument("--output", type=Path, metavar="FILE", help="a new file instead of standard output")

    _action(actions, "verify", "check the book: exit 0 when it is sound, 1 when it is not", _verify)

    backup = _action(actions, "backup", "a whole copy of the book", _backup)
    backup.add_argument("file", type=Path, metavar="FILE", help="the copy; it must not be there yet")

    back = _action(actions, "restore", "bring a back-up back; the former book stays beside it", _restore)
    back.add_argument("file", type=Path, metavar="FILE", help="a back-up, or a damaged book with --readable")
    back.add_argument("--readable", action="store_true", help="take what can be read of a damaged file")


def run(args: Namespace) -> int:
    """Do what was asked: 0 done, 1 the book is not sound, 2 a mistake of the user or a book without use."""
    data = args.data if args.data is not None else default_data_directory(os.environ)
    action: Callable[[Book, Namespace], int] = args.do
    try:
        return action(Book(database_path(data)), args)
    except RecordsError as error:
        print(error, file=sys.stderr)
        return 2
    except BrokenPipeError:
        # The reader (head, less) has seen enough. Python would complain once more when it flushes at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _action(actions: Any, name: str, text: str, do: Callable[[Book, Namespace], int]) -> ArgumentParser:
    parser: ArgumentParser = actions.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the service's data directory")
    parser.set_defaults(do=do)
    return parser


def _add_run(parser: ArgumentParser) -> None:
    parser.add_argument("run", type=whole_number, metavar="RUN", help="the number of the run, from `records list`")


def whole_number(text: str) -> int:
    """A run's number, or how many; refused where the book cannot hold it."""
    if not (text.isascii() and text.isdigit() and len(text) < 19 and int(text) >= 1):
        raise ArgumentTypeError(f"{text!r} is not a whole number from 1 up")
    return int(text)


def _list(book: Book, args: Namespace) -> int:
    runs = book.runs(limit=args.limit)
    if args.json:
        _print_json(runs)
    elif not runs:
        print("No run is in the book yet.", file=sys.stderr)
    else:
        print(_LINE.format("run", "started (UTC)", "program", "outcome", "duration", "who").rstrip())
        for entry in runs:
            print(_line(entry).rstrip())
    return 0


_LINE: Final = "{:>5}  {:<20}  {:<24}  {:<8}  {:>8}  {}"


def _line(run: dict[str, Any]) -> str:
    return _LINE.format(
        run["id"],
        _clock(run["started_at"]),
        run["program_name"],
        run["outcome"] or "open",
        _duration(run["duration_s"]),
        run["who"],
    )


def _clock(text: str | None) -> str:
    """RFC 3339 to the second, as a person reads it."""
    return "-" if text is None else text[:19].replace("T", " ")


def _duration(seconds: float | None) -> str:
    if seconds is None:
        return "-"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d}"


def _show(book: Book, args: Namespace) -> int:
    entry = _known(book, args.run, book.run(args.run))
    if args.json:
        _print_json(entry)
        return 0
    print(f"Run {entry['id']}: {entry['program_name']}, started by {entry['who'] or 'nobody named'}")
    print(f"Started   {_clock(entry['started_at'])} UTC")
    print(f"Ended     {_clock(entry['ended_at'])} UTC: {entry['outcome'] or 'still open'}")
    if entry["ending"]:
        print(f"          {entry['ending']}")
    print(f"Recorded  {entry['samples']} samples, {entry['tape_blocks']} blocks of tape")
    for gap in entry["interruptions"]:
        print(f"Gap       {_clock(gap['cut_at'])} to {_clock(gap['resumed_at'])} UTC: {gap['ending']}")
    for number, temper in enumerate(entry["tempers"], 1):
        known = (f"{name} {value}" for name, value in temper.items() if value is not None)
        print(f"Temper {number}  " + ", ".join(known))
    if entry["events"]:
        print("\nWhat happened (UTC)")
    for event in entry["events"]:
        print(f"  {_clock(event['at'])}  {event['text'] or event['kind']}")
    return 0


_DIP: Final = "{:<20}  {:>8}  {:>7}  {:<24}  {:>9}  {:>8}  {:>6}  {}"


def _quenches(book: Book, args: Namespace) -> int:
    quenches = book.quenches(limit=args.limit)
    if args.json:
        _print_json(quenches)
    elif not quenches:
        print("No quench is in the book yet.", file=sys.stderr)
    else:
        print(_DIP.format("at (UTC)", "mass kg", "from °C", "oil", "before °C", "after °C", "piece", "note").rstrip())
        for one in quenches:
            forms = (("mass_kg", ".2f"), ("part_c", ".0f"), ("before_c", ".1f"), ("after_c", ".1f"))
            mass, part, before, after = ("-" if one[name] is None else format(one[name], form) for name, form in forms)
            piece = "-" if one["piece_id"] is None else one["piece_id"]
            told = (_clock(one["at"]), mass, part, one["oil"] or "-", before, after, piece, one["note"])
            print(_DIP.format(*told).rstrip())
    return 0


def _known(book: Book, number: int, entry: T | None) -> T:
    if entry is None:
        newest = book.runs(limit=1)
        known = f"the newest is run {newest[0]['id']}" if newest else "no run is in the book yet"
        raise RecordsError(f"There is no run {number}: {known}. `ovenhand records list` shows them.")
    return entry


def _export(book: Book, args: Namespace) -> int:
    pieces: Iterable[str]
    if args.format == "pdf":
        return _print_to(book, args)
    if args.format == "json":
        entry = _known(book, args.run, run_json(book, args.run))
        pieces = (json.dumps(entry, ensure_ascii=False, indent=1, allow_nan=False) + "\n",)
    else:
        _known(book, args.run, book.run(args.run))
        pieces = trace_csv(book, args.run)
    if args.output is None:
        for piece in pieces:
            sys.stdout.write(piece)
        sys.stdout.flush()
        return 0
    _write(args.output, (piece.encode() for piece in pieces))
    return 0


def _print_to(book: Book, args: Namespace) -> int:
    if args.output is None:
        raise RecordsError("A PDF goes into a file: name it with --output.")
    try:
        content = book.record_pdf(args.run)
    except ImportError as error:
        raise RecordsError(str(error)) from error
    _write(args.output, (_known(book, args.run, content),))
    return 0


def _write(path: Path, pieces: Iterable[bytes]) -> None:
    try:
        with path.open("xb") as file:
            file.writelines(pieces)
    except FileExistsError as error:
        raise RecordsError(f"{path} is there already: name another file.") from error
    except OSError as error:
        raise RecordsError(f"{path} was not written ({error.strerror}).") from error
    print(f"Written to {path}.", file=sys.stderr)


def _verify(book: Book, args: Namespace) -> int:
    problems = book.verify()
    for problem in problems:
        print(problem)
    if problems:
        print("\n".join(in_words(readable(book.path))))
        print(
            "The book is not sound. Stop the service, then `ovenhand records restore FILE` brings a back-up back, and "
            f"`ovenhand records restore --readable {book.path}` makes a new book of what can be read. Either way the "
            "file stays beside it.",
            file=sys.stderr,
        )
        return 1
    for number in book.open_runs():
        print(
            f"Run {number} is open: it is on now, or the service ended and has not been started since.",
            file=sys.stderr,
        )
    for gap in book.gaps():
        print(
            f"From {_clock(gap['from_at'])} to {_clock(gap['until_at'])} UTC the disk took nothing; "
            f"{gap['lost']} entries were lost: {gap['text']}",
            file=sys.stderr,
        )
    print("The book is sound.", file=sys.stderr)
    return 0


def _backup(book: Book, args: Namespace) -> int:
    print(book.backup(args.file))
    return 0


def _restore(book: Book, args: Namespace) -> int:
    done = restore(book.path, args.file, time.time, only_readable=args.readable)
    if done.read:
        print("\n".join(in_words(done.read)), file=sys.stderr)
    if done.kept_old is not None:
        print(f"The former book is {done.kept_old}.", file=sys.stderr)
    print(done.path)
    return 0


def _print_json(value: Any) -> None:
    print(json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False))
