"""`ovenhand`: finds the command, reads its words, runs it.

Each command is a module of `controller.commands` with `add_arguments(parser)` and `run(args) -> int`; only
the one that was asked for is imported, so that `ovenhand plan` does not wait for the web server's modules.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import logging
import os
import sys
from collections.abc import Sequence
from types import ModuleType
from typing import Final

COMMANDS: Final = {
    "serve": "the service: minds the oven and the tank, and answers the phone",
    "rehearse": "one whole run on the simulated oven, as fast as it goes",
    "plan": "figures before anything is hot: temper, harden, quench, ladder, sheet",
    "pair": "a one-time code for a phone, from the service that is running",
    "doctor": "what is missing or not right on this machine, and what it keeps from working",
    "check": "every fault of a shop file or a profile at once; `--new` writes a first shop file",
    "replay": "a recorded run once more through today's core, tick for tick",
    "records": "the record book: list, show, export, verify, back up, restore",
}
"""Every command and what it is for, in the order of the help."""

WRONG_INPUT: Final = 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; 0 done, 2 a mistake of the user's, others as the command says."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s")
    # What is imported stays for good: collecting it again and again while it is loaded only delays the start.
    gc.disable()
    parser, chosen = _parser(words)
    gc.freeze()
    gc.enable()
    args = parser.parse_args(words)
    if chosen is None:
        parser.print_help(sys.stderr)
        return WRONG_INPUT
    try:
        return int(chosen.run(args))
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader (head, less) has seen enough. Python would complain once more when it flushes at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _parser(words: Sequence[str]) -> tuple[argparse.ArgumentParser, ModuleType | None]:
    """The parser with the words of the command that was asked for, and that command."""
    parser = argparse.ArgumentParser(
        prog="ovenhand",
        description="Minds a tempering oven and a heated quench-oil tank.",
        epilog="`ovenhand COMMAND --help` says more. To see it all without any hardware: `ovenhand serve --rehearsal`.",
        allow_abbrev=False,
    )
    commands = parser.add_subparsers(metavar="COMMAND")
    chosen: ModuleType | None = None
    asked = next((word for word in words if not word.startswith("-")), None)
    for name, purpose in COMMANDS.items():
        command = commands.add_parser(name, help=purpose, allow_abbrev=False)
        command.description = purpose[0].upper() + purpose[1:] + "."
        if name == asked:
            chosen = importlib.import_module(f"controller.commands.{name}")
            chosen.add_arguments(command)
    return parser, chosen
