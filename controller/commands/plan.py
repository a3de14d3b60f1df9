"""`ovenhand plan`: figures before anything is hot. Each kind of plan is a module with a parser and a run of its own.

Such a module has `PURPOSE`, `add_arguments(parser)` and `run(args) -> int`, as a command has. The plan is JSON on
standard output (with `--json FILE` in that file as well), what a person should read besides is on standard error.
"""

from __future__ import annotations

import importlib
import json
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

PLANS: Final = {
    "temper": "controller.commands.plan_temper",
    "harden": "controller.commands.plan_harden",
    "quench": "controller.commands.plan_quench",
    "ladder": "controller.commands.plan_ladder",
    "sheet": "controller.commands.plan_sheet",
}
"""What can be planned, and the module that does it."""

WRONG_INPUT: Final = 2


def add_arguments(parser: ArgumentParser) -> None:
    """The kinds of plan, each with its own words."""
    parser.description = "Figures before anything is hot: JSON on standard output, null where a model does not reach."
    kinds = parser.add_subparsers(metavar="KIND", required=True)
    for name, place in PLANS.items():
        module = importlib.import_module(place)
        kind = kinds.add_parser(name, help=module.PURPOSE.replace("%", "%%"), allow_abbrev=False)
        kind.description = module.PURPOSE[0].upper() + module.PURPOSE[1:] + "."
        module.add_arguments(kind)
        kind.add_argument("--json", type=Path, metavar="FILE", help="write the plan into this file as well")
        kind.set_defaults(planned=module.run)


def run(args: Namespace) -> int:
    """Do the plan that was asked for."""
    return int(args.planned(args))


def tell(plan: Mapping[str, Any], args: Namespace, sentences: Iterable[str] = ()) -> int:
    """The plan to standard output and into `--json FILE`, the sentences to standard error; 2 where FILE fails."""
    text = json.dumps(plan, indent=2, ensure_ascii=False, allow_nan=False)
    for sentence in sentences:
        print(sentence, file=sys.stderr)
    print(text)
    if args.json is not None:
        try:
            args.json.write_text(text + "\n", encoding="utf-8")
        except OSError as error:
            print(f"{args.json} was not written ({error.strerror}); right is a file in a folder that may be written.",
                  file=sys.stderr)  # fmt: skip
            return WRONG_INPUT
    return 0


def refuse(sentences: Iterable[str]) -> int:
    """Every fault of the input to standard error; 2."""
    for sentence in sentences:
        print(sentence, file=sys.stderr)
    return WRONG_INPUT
