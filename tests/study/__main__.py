"""`python -m tests.study [all|worlds|world|use|tanks|kills|overnight|unattended] …`: the campaigns, with their seeds.

world SEED                     one world again, with everything that happened in it
worlds [COUNT] [--seed FIRST]  so many worlds from this seed on
use [--ovens N] [--tanks N]    normal use: nothing may trip
tanks [COUNT]                  so many tanks with any single fault: none over its limit
kills [COUNT]                  kill -9 of the service at so many drawn instants, at the clock's own pace
overnight                      a double temper over a night and more: memory and state
unattended [MINUTES]           the service in an accelerated rehearsal, 72 min for a day: memory, book, late ticks, log
all [--seed FIRST]             100,000 worlds, 200 ovens, 300 tanks, 500 single faults, 500 kills, a night, a day
--compiled                     core, wire and most of the simulated shop compiled first, for `worlds`, `use`, `tanks`
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.study import fast, normal, tanks
from tests.study.campaign import worlds
from tests.study.kills import kills
from tests.study.overnight import night
from tests.study.unattended import left_alone
from tests.study.world import World


def main() -> int:
    """0: everything held."""
    parser = argparse.ArgumentParser(prog="python -m tests.study", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    campaigns = ("all", "worlds", "world", "use", "tanks", "kills", "overnight", "unattended")
    parser.add_argument("what", nargs="?", default="all", choices=campaigns)
    parser.add_argument("number", nargs="?", type=int, default=None, help="a seed, or how many worlds")
    parser.add_argument("--seed", type=int, default=None, help="the first seed (default: drawn, and printed)")
    parser.add_argument("--ovens", type=int, default=200)
    parser.add_argument("--tanks", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--compiled", action="store_true")
    args = parser.parse_args()
    if args.compiled:
        return _compiled([word for word in sys.argv[1:] if word != "--compiled"])
    first = random.randrange(1, 10**9) if args.seed is None else args.seed
    if args.what == "world":
        return _world(first if args.number is None else args.number)
    print(f"seed {first}", flush=True)
    good = True
    if args.what in ("all", "worlds"):
        good &= _worlds(first, (args.number if args.what == "worlds" else None) or 100_000, args.jobs)
    if args.what in ("all", "use"):
        good &= _use(first, args.ovens, args.tanks, args.jobs)
    if args.what in ("all", "tanks"):
        good &= tanks.table(first, (args.number if args.what == "tanks" else None) or 500)
    if args.what in ("all", "kills"):
        with tempfile.TemporaryDirectory() as place:
            killed = kills((args.number if args.what == "kills" else None) or 500, first, Path(place))
        print("\n".join(killed.lines()), flush=True)
    if args.what in ("all", "overnight"):
        found = night()
        print("\n".join(found.lines()))
        good &= found.bounded
    if args.what in ("all", "unattended"):
        with tempfile.TemporaryDirectory() as place:
            left = left_alone(float((args.number if args.what == "unattended" else None) or 72), 20.0, Path(place))
        print("\n".join(left.lines()))
        good &= left.good
    return 0 if good else 1


def _compiled(arguments: list[str]) -> int:
    with tempfile.TemporaryDirectory() as place:
        print("compiling", flush=True)
        fast.compiled(Path(place))
        if not fast.same(Path(place)):
            print("the compiled copy does not play the worlds as the sources do: not used", file=sys.stderr)
            return 2
        return fast.study(Path(place), arguments)


def _world(seed: int) -> int:
    world = World(seed)
    plan = world.plan
    print(f"faults {', '.join(plan.faults)}; kit {plan.fitted}, chip {plan.chip}, {plan.duration_s:.0f} s")
    try:
        result = world.run()
    finally:
        story = [(act.at_s, "-", f"{act.what} {act.value if act.value is not None else ''}") for act in plan.acts]
        for at_s, kind, text in sorted(story + world.host_judge.events, key=lambda line: line[0]):
            print(f"{at_s:9.2f}  {kind:20}  {text[:150]}")
    print(result)
    return 0


def _worlds(first: int, count: int, jobs: int) -> bool:
    began_s = time.perf_counter()
    tally = worlds(range(first, first + count), jobs, sys.stderr)
    took_s = time.perf_counter() - began_s
    print(f"seeds {first} to {first + count - 1}: {count / took_s:.2f} worlds a second")
    print("\n".join(tally.lines()), flush=True)
    return not tally.broken


def _use(first: int, ovens: int, tanks: int, jobs: int) -> bool:
    good = True
    for name, used, count in (("ovens", normal.oven, ovens), ("tanks", normal.tank, tanks)):
        seeds = range(first, first + count)
        with ProcessPoolExecutor(jobs) as pool:
            results = []
            for one in pool.map(used, seeds):
                results.append(one)
                if one.tripped or len(results) % 25 == 0:
                    print(f"{len(results)} {name}; the last one {one}", file=sys.stderr, flush=True)
        tripped = [(one.seed, one.tripped) for one in results if one.tripped]
        unfinished = [one.seed for one in results if not one.ended and not one.tripped]
        hours = sum(one.simulated_s for one in results) / 3600.0
        print(f"{count} {name}, seeds {first} to {first + count - 1}, {hours:.0f} simulated hours: "
              f"{len(tripped)} tripped {tripped}; without an end in their time: {unfinished}", flush=True)  # fmt: skip
        good &= not tripped
    return good


if __name__ == "__main__":
    sys.exit(main())
