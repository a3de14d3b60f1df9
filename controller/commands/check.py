"""`ovenhand check`: shop files and profiles, every fault at once; or a commented first shop file."""

from __future__ import annotations

import os
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from controller.commands.shipped import (
    Library,
    ShopFile,
    UnreadableError,
    load_shipped,
    read_text,
    shop_of,
)
from controller.model import Program
from controller.profiles import PARSERS, OilProfile, ProgramKeys, SteelProfile
from controller.records import default_data_directory
from controller.schema import Table, keys_of
from controller.settings import FIRST_SHOP_FILE, MARGIN_OVER_BOOST_C, Shop
from controller.toml_text import TextError, read_toml

USUAL_SHOP_FILE: Final = Path("shop.toml")
WRONG_INPUT: Final = 2


def add_arguments(parser: ArgumentParser) -> None:
    """The words after `ovenhand check`."""
    parser.description = (
        "Checks shop files and profiles (programs, oils, steels) and says every fault at once, with what would be "
        "right. Without FILE: the profiles, and shop.toml where it is in this folder. Exit 0: all sound, 2: not."
    )
    parser.add_argument("files", nargs="*", type=Path, metavar="FILE", help="a shop file or a profile")
    parser.add_argument("--new", type=Path, metavar="FILE", help="write a commented first shop file; replaces none")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the service's data directory, with its own profiles")


def run(args: Namespace) -> int:
    """Check, or write a first file: 0 all sound, 2 any fault."""
    if args.new is not None and not _write_new(args.new):
        return WRONG_INPUT
    if args.new is not None and not args.files:
        return 0
    library = load_shipped(args.data if args.data is not None else default_data_directory(os.environ))
    if args.files:
        checked = [_check(path, library) for path in args.files]
        return 0 if all(checked) else WRONG_INPUT
    sound = not library.problems
    for line in library.problems:
        _say(line)
    print(f"{len(library.programs)} programs, {len(library.oils)} oils and {len(library.steels)} steels are sound.")
    if USUAL_SHOP_FILE.exists():
        sound = _check(USUAL_SHOP_FILE, library) and sound
    else:
        _say("No shop.toml is in this folder; `ovenhand check --new shop.toml` writes a first one.")
    return 0 if sound else WRONG_INPUT


def _write_new(path: Path) -> bool:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(FIRST_SHOP_FILE)
    except FileExistsError:
        _say(f"{path} is there already and was left as it is; right is the name of a new file.")
        return False
    except OSError as error:
        _say(f"{path} was not written ({error.strerror}); right is a file in a folder that may be written.")
        return False
    print(f"{path} is written. Fill in your own watts, then: ovenhand check {path}")
    return True


def _check(path: Path, library: Library) -> bool:
    """Says what a file is, or every fault in it."""
    try:
        text = read_text(path)
        kind = kind_of(read_toml(text).tree, path)
        if kind == "shop":
            shop = shop_of(text, library, name=str(path))
            print(f"{path}: a sound shop file. {_limits_in_words(shop)}")
            for sentence in shop.advice:
                _say(f"{path}: note: {sentence}")
        else:
            print(f"{path}: {_in_words(PARSERS[kind](text, name=str(path)))}")
    except UnreadableError as error:
        _say(f"{path}: {error}")
        return False
    except TextError as error:
        for line in error.lines():
            _say(line)
        count = len(error.faults)
        _say(f"{path}: {count} {'fault' if count == 1 else 'faults'}; nothing of it is used until they are mended.")
        return False
    return True


def kind_of(tree: Mapping[str, object], path: Path) -> str:
    """What a file means to be: the folder of profiles it lies in, else the kind that knows most of its keys."""
    if path.parent.name in PARSERS:
        return path.parent.name
    kinds: dict[str, type[Table]] = {
        "shop": Shop,
        "programs": ProgramKeys,
        "oils": OilProfile,
        "steels": SteelProfile,
    }
    return max(kinds, key=lambda kind: len(tree.keys() & keys_of(kinds[kind])))


def _in_words(made: Program | OilProfile | SteelProfile) -> str:
    if isinstance(made, Program):
        tempers = ", then ".join(f"{t.temperature_c:g} °C for {t.soak_s / 60.0:g} min" for t in made.tempers)
        return f'a sound program, "{made.name}": {tempers}.'
    if isinstance(made, OilProfile):
        flash = made.flash_low_c
        return f'a sound oil, "{made.name}": flash point {flash.value:g} °C at the lowest ({flash.mark}).'
    return f'a sound steel, "{made.name}", with {len(made.temper_tables)} tempering tables.'


def _limits_in_words(file: ShopFile) -> str:
    """What the file comes to, in the units it asks for."""
    limits = file.limits

    def shown(celsius: float | None) -> str:
        if celsius is None:
            return "unknown"
        return f"{celsius * 1.8 + 32:.0f} °F" if limits.units == "F" else f"{celsius:.0f} °C"

    parts = []
    if limits.oven:
        highest_c = min(limits.setpoint_max_c(one_sensor=False), limits.oven_limit_c - MARGIN_OVER_BOOST_C)
        parts.append(f"Oven: setpoints to {shown(highest_c)}, trips at {shown(limits.oven_limit_c)}.")
    if limits.tank and limits.oil:
        parts.append(
            f"Tank: {limits.oil.label}, bath to {shown(limits.bath_max_c())}, heater off at "
            f"{shown(limits.tank_limit_c)}, trips at {shown(limits.oil_trip_c)}."
        )
    elif limits.tank:
        parts.append("Tank: not heated.")
    return " ".join(parts)


def _say(line: str) -> None:
    print(line, file=sys.stderr)
