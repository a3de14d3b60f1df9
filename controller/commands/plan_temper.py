"""`ovenhand plan temper`: the hardness that a temper leaves, or the temper for a hardness."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from typing import Final

from controller.commands.plan import refuse, tell
from controller.commands.shipped import load_shipped
from controller.metallurgy.steel import parse_composition
from controller.metallurgy.temper_plan import plan_temper
from controller.metallurgy.tempered import Known
from controller.profiles.steels import find_steel, known_steel
from controller.records import default_data_directory

PURPOSE: Final = "the hardness that a temper leaves, or the temper for a hardness, with its 90 % band"


def add_steel(parser: ArgumentParser) -> None:
    """The steel, by its grade or its composition."""
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--steel", metavar="GRADE", help="a grade in the profiles, as 4140")
    which.add_argument("--composition", metavar="C=0.42,Mn=0.7", help="percent by weight, as far as known")


def add_arguments(parser: ArgumentParser) -> None:
    """Steel, and a temper or a hardness."""
    add_steel(parser)
    parser.add_argument("--temperature-c", type=float, metavar="T", help="the temper, °C (with --time-s)")
    parser.add_argument("--time-s", type=float, metavar="S", help="seconds at heat (3600 where a hardness is asked)")
    parser.add_argument("--hardness-hrc", type=float, metavar="H", help="the hardness that is wanted")


def steel_of(args: Namespace) -> Known:
    """The steel that was named. Raises ValueError with what would be right."""
    if args.steel is not None:
        library = load_shipped(default_data_directory(os.environ))
        return Known(steel=known_steel(find_steel(args.steel, library.steels)))
    return Known(elements=parse_composition(args.composition))


def run(args: Namespace) -> int:
    """0 planned, also where a value is null; 2 a mistake in the input."""
    try:
        plan = plan_temper(
            steel_of(args), temperature_c=args.temperature_c, time_s=args.time_s, hardness_hrc=args.hardness_hrc
        )
    except ValueError as error:
        return refuse(str(error).splitlines())
    said = []
    if plan["hardness_hrc"] is not None:
        said.append(
            f"{plan['temperature_c']:g} °C for {plan['time_s'] / 60.0:g} min: about {plan['hardness_hrc']:.0f} HRC, "
            f"{plan['low_hrc']:.0f} to {plan['high_hrc']:.0f} in nine of ten (by {plan['model']})."
        )
    return tell(plan, args, [*said, *([plan["reason"]] if plan["reason"] else []), *plan["warnings"]])
