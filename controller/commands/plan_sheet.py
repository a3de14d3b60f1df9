"""`ovenhand plan sheet`: one page for the forge, from the coupon to the checks, with its temper program."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from typing import Final

from controller.commands.plan import refuse, tell
from controller.commands.plan_temper import add_steel, steel_of
from controller.metallurgy.hardenability import MEDIA
from controller.metallurgy.sheet import plan_sheet
from controller.metallurgy.uses import USES

PURPOSE: Final = "one page for the forge: coupon, hardening, quench, temper program, checks, cautions"


def add_arguments(parser: ArgumentParser) -> None:
    """Steel, section, and what it is for."""
    add_steel(parser)
    parser.add_argument("--section-mm", type=float, required=True, metavar="D", help="diameter or thickness")
    wanted = parser.add_mutually_exclusive_group(required=True)
    wanted.add_argument("--use", metavar="USE", help=", ".join(USES))
    wanted.add_argument("--hardness-hrc", type=float, metavar="H", help="the hardness that is wanted")
    parser.add_argument("--quench", metavar="|".join(MEDIA), help="left out: the mildest that hardens it")
    parser.add_argument("--flat", action="store_true", help="a plate's thickness, not a round's diameter")


def run(args: Namespace) -> int:
    """0 planned, 2 a mistake in the input."""
    try:
        sheet = plan_sheet(
            steel_of(args), args.section_mm, use=args.use or "", hardness_hrc=args.hardness_hrc, flat=args.flat,
            quench=args.quench,
        )  # fmt: skip
    except ValueError as error:
        return refuse(str(error).splitlines())
    page = [sheet["title"]]
    for section in sheet["sections"]:
        page += ["", section["title"], *(f"  {line}" for line in section["lines"])]
    return tell(sheet, args, page)
