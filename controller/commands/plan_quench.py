"""`ovenhand plan quench`: how far this steel warms this oil, and how many parts in a row."""

from __future__ import annotations

import math
import os
from argparse import ArgumentParser, Namespace
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from controller.commands.plan import refuse, tell
from controller.commands.shipped import UnreadableError, load_shipped, read_text, shop_of, unknown
from controller.core.limits import oil_refusal
from controller.metallurgy.quench import PART_C
from controller.metallurgy.quench_plan import faults_of, plan_quench
from controller.model import Oil
from controller.profiles import OilProfile, tank_oil
from controller.records import default_data_directory
from controller.settings import Tank, refused_oil
from controller.toml_text import TextError

PURPOSE: Final = "how far a quench warms the oil, whether it may, how many in a row and how long between"


def add_arguments(parser: ArgumentParser) -> None:
    """Oil, litres, temperatures and steel."""
    parser.add_argument("--oil", required=True, metavar="NAME", help="an oil's name; with --shop also one of its own")
    parser.add_argument("--volume-l", type=float, required=True, metavar="V", help="litres of oil")
    parser.add_argument("--oil-c", type=float, required=True, metavar="T", help="the oil before the quench, °C")
    parser.add_argument("--mass-kg", type=float, required=True, metavar="M", help="mass of one part")
    parser.add_argument("--part-c", type=float, default=PART_C, metavar="P", help=f"the part, °C ({PART_C:g})")
    parser.add_argument("--count", type=int, default=1, metavar="N", help="parts alike, one after the other (1)")
    parser.add_argument("--altitude-m", type=float, default=0.0, metavar="A", help="height above the sea (0)")
    parser.add_argument("--shop", type=Path, metavar="FILE", help="a shop file with [[oil]] tables")


def run(args: Namespace) -> int:
    """0 planned (allowed or not), 2 a mistake in the input."""
    library = load_shipped(default_data_directory(os.environ))
    wrong = [reason.text for reason in faults_of(
        volume_l=args.volume_l, oil_c=args.oil_c, mass_kg=args.mass_kg, part_c=args.part_c, count=args.count
    )]  # fmt: skip
    if not (math.isfinite(args.altitude_m) and -500.0 <= args.altitude_m <= 5500.0):
        wrong.append(f"altitude_m is {args.altitude_m:g}; right is a number from -500 to 5500 m.")
    try:
        oil, told = _oil(args, library.oils)
    except (TextError, UnreadableError, ValueError) as error:
        return refuse([*wrong, *(error.lines() if isinstance(error, TextError) else [str(error)])])
    if wrong:
        return refuse(wrong)
    plan = plan_quench(
        oil, args.volume_l, args.oil_c, args.mass_kg, args.part_c,
        count=args.count, altitude_m=args.altitude_m, refusal="" if oil.flash_low_c is None else oil_refusal(oil),
    )  # fmt: skip
    return tell(plan, args, [*told, *in_words(plan)])


def _oil(args: Namespace, oils: Mapping[str, OilProfile]) -> tuple[Oil, tuple[str, ...]]:
    """The oil of that name. Raises with a sentence for one that is not known or not heated at all."""
    if args.shop is not None:
        shop = shop_of(read_text(args.shop), load_shipped(), name=str(args.shop)).shop
        if args.oil in [own.name for own in shop.oils]:
            tank = shop.tank or Tank(heater_w=0.0, volume_l=args.volume_l, oil=args.oil)
            named = shop.model_copy(update={"tank": tank.model_copy(update={"oil": args.oil})})
            oil, told = tank_oil(named, oils)
            if oil is not None:
                return oil, told
    if args.oil in oils:
        return oils[args.oil].oil(), ()
    refused = refused_oil(args.oil)
    raise ValueError(f"--oil {refused}" if refused else unknown("oil", args.oil, oils))


def in_words(plan: Mapping[str, Any]) -> list[str]:
    """What a smith reads of it."""
    batch = plan["batch"]
    told = [
        f"The oil warms by {plan['rise_k']:.0f} K to {plan['after_c']:.0f} °C at the most (all heat into the oil); "
        f"stirred, expect {plan['expected_low_k']:.0f} to {plan['expected_high_k']:.0f} K."
    ]
    told += [reason["text"] for reason in plan["reasons"]]
    told += plan["warnings"]
    if batch["count"] > 1:
        told.append(f"{batch['in_a_row']} of {batch['count']} parts in a row.")
        if batch["between_s"] is not None and batch["in_a_row"] < batch["count"]:
            told.append(f"After that about {batch['between_s'] / 60.0:.0f} min between parts.")
        if batch["volume_for_all_l"] is not None:
            told.append(f"All in a row take {batch['volume_for_all_l']:.0f} L.")
    told.append(
        f"The trade's rule of a US gallon a pound asks for {batch['rule_volume_for_all_l']:.1f} L, and says "
        f"{plan['rule_rise_k']:.0f} K for one part in {plan['volume_l']:g} L."
    )
    return told
