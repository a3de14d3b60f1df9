"""`ovenhand plan ladder`: what hardened coupons say of unknown stock, and the next useful test."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from typing import Final

from controller.commands.plan import refuse, tell
from controller.commands.shipped import load_shipped
from controller.metallurgy.ladder import ONE_FILE, ORIGINS, Rung, judge_ladder
from controller.profiles.steels import known_steel
from controller.records import default_data_directory

PURPOSE: Final = "what hardened coupons say of unknown stock, and the next useful test"
RIGHT: Final = "right is oil=skates, oil=cuts-hard, oil=cuts-easily, or graded files: oil=55..60, oil=65.., oil=..40"


def add_arguments(parser: ArgumentParser) -> None:
    """The coupon, its rungs and weak evidence."""
    parser.add_argument("--coupon-mm", type=float, required=True, metavar="D", help="its size, best 10 to 13 mm")
    parser.add_argument("--flat", action="store_true", help="a plate's thickness, not a round's diameter")
    parser.add_argument("--rung", action="append", default=[], metavar="QUENCH=RESULT", help=RIGHT[9:])
    parser.add_argument("--origin", default="", metavar="SCRAP", help=f"weak evidence: {', '.join(ORIGINS)}")
    parser.add_argument("--sparks", metavar="LOW,HIGH", help="weak evidence: carbon of two known steels")


def run(args: Namespace) -> int:
    """0 judged, 2 a mistake in the input."""
    wrong = []
    rungs = []
    for text in args.rung:
        try:
            rungs.append(_rung(text))
        except ValueError:
            wrong.append(f'"{text[:60]}" is no rung; {RIGHT}.')
    try:
        sparks = tuple(float(part) for part in args.sparks.split(",")) if args.sparks else ()
        if len(sparks) not in (0, 2):
            raise ValueError(args.sparks)
    except ValueError:
        sparks = ()
        wrong.append(f'"{args.sparks[:40]}" are no sparks; right is the carbon of two known steels, as 0.45,0.95.')
    if wrong:
        return refuse(wrong)
    steels = [known_steel(profile) for profile in load_shipped(default_data_directory(os.environ)).steels.values()]
    spark_carbon = (sparks[0], sparks[1]) if sparks else None
    try:
        found = judge_ladder(
            args.coupon_mm, rungs, steels, flat=args.flat, origin=args.origin, spark_carbon=spark_carbon
        )
    except ValueError as error:
        return refuse(str(error).splitlines())
    carbon = ""
    if found["carbon_low"] is not None:
        carbon = f", carbon perhaps {found['carbon_low']:g} to {found['carbon_high']:g} %"
    names = ", ".join(grade["name"] for grade in found["grades"]) or "none known here"
    page = [f"{found['class'].capitalize()}{carbon}.", f"Still possible: {names}.", found["next_test"]]
    return tell(found, args, [*page, *found["warnings"]])


def _rung(text: str) -> Rung:
    """`oil=skates` or `oil=55..60`. Raises ValueError."""
    medium, equals, result = text.partition("=")
    if not equals or not medium or not result:
        raise ValueError(text)
    plain = result.strip().lower().replace("-", " ")
    if plain in ONE_FILE:
        return Rung(medium.strip().lower(), one_file=plain)
    skates, dots, bites = result.partition("..")
    if not dots:
        raise ValueError(text)
    return Rung(medium.strip().lower(), float(skates) if skates else None, float(bites) if bites else None)
