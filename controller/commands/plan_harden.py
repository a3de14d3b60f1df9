"""`ovenhand plan harden`: how to harden a section of this steel, and what its quench does to it."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from typing import Final

from controller.commands.plan import refuse, tell
from controller.commands.plan_temper import add_steel, steel_of
from controller.metallurgy.harden_plan import plan_harden
from controller.metallurgy.hardenability import MEDIA

PURPOSE: Final = "heat, quench and what it does to this section, with the risks"


def add_arguments(parser: ArgumentParser) -> None:
    """Steel, section and quench."""
    add_steel(parser)
    parser.add_argument("--section-mm", type=float, required=True, metavar="D", help="diameter or thickness")
    parser.add_argument("--quench", metavar="|".join(MEDIA), help="left out: the mildest that hardens it")
    parser.add_argument("--agitation", default="", metavar="HOW", help="none, mild, moderate, good, strong or violent")
    parser.add_argument("--flat", action="store_true", help="a plate's thickness, not a round's diameter")
    parser.add_argument("--temper-c", type=float, metavar="T", help="the temper that is to follow, for its risks")


def run(args: Namespace) -> int:
    """0 planned, also where a value is null; 2 a mistake in the input."""
    try:
        known = steel_of(args)
        elements = known.elements or (known.steel.elements if known.steel else None)
        assert elements is not None
        plan = plan_harden(
            known.steel, elements, args.section_mm, quench=args.quench, agitation=args.agitation, flat=args.flat,
            temper_c=args.temper_c,
        )  # fmt: skip
    except ValueError as error:
        return refuse(str(error).splitlines())
    low_high = plan["austenitise_c"]
    heat = [f"Heat to {low_high[0]:.0f} to {low_high[1]:.0f} °C. {plan['magnet']['text']}"] if low_high else []
    why = [f"{field}: {reason}" for field, reason in plan["reasons"].items()]
    return tell(plan, args, [*heat, plan["result_text"], *plan["warnings"], *why])
