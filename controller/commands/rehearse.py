"""`ovenhand rehearse PROGRAM`: one whole run in simulated time, in lock-step, as fast as it goes.

The same link and core as in the shop, on the simulated shop. What is told of the temper is measured on the
true core of the simulated part, not on what the sensors said.
"""

from __future__ import annotations

import json
import sys
import time
from argparse import ArgumentParser, BooleanOptionalAction, Namespace
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, TextIO

from controller.commands.shipped import demo_shop_text, load_shipped, named, read_text, shop_of, unknown
from controller.core.tick import Core
from controller.metallurgy.tempering import TemperTrace, equivalent_temperature_c, parameter
from controller.model import Confirm, Event, LoadItem, Program, Request, Start
from controller.profiles import parse_program
from controller.pump import Pump
from controller.sim.shop import Initial, SimShop
from controller.wire.link import Link

STEP_S: Final = 0.25
LONGEST_S: Final = 36.0 * 3600.0
BAR: Final = 40


def add_arguments(parser: ArgumentParser) -> None:
    """PROGRAM and the simulated load."""
    parser.epilog = "Exit code: 0 ended, 3 tripped or stopped (it says why), 2 bad input."
    parser.add_argument("program", metavar="PROGRAM", help="a program's name, or a TOML file")
    parser.add_argument("--load-kg", type=float, default=0.5, metavar="M", help="mass of the load (0.5)")
    parser.add_argument("--section-mm", type=float, default=20.0, metavar="D", help="its thickness (20)")
    parser.add_argument(
        "--part-sensor", action=BooleanOptionalAction, default=True, help="a thermocouple on the steel (default)"
    )
    parser.add_argument("--start-c", type=float, default=20.0, metavar="T", help="oven and load at the start (20)")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="which simulated shop (0: a typical one)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures as JSON; - for standard output")


@dataclass(slots=True)
class Measured:
    """The truth of one temper, from the simulated part's core, °C and s."""

    target_c: float
    soak_s: float
    band_c: float
    in_band_s: float = 0.0
    part_peak_c: float = -273.0
    air_peak_c: float = -273.0
    square_sum: float = 0.0
    soaked_s: float = 0.0
    trace: TemperTrace = field(default_factory=lambda: TemperTrace(200.0))

    def add(self, part_c: float, air_c: float, soaking: bool) -> None:
        """One step."""
        self.part_peak_c = max(self.part_peak_c, part_c)
        self.air_peak_c = max(self.air_peak_c, air_c)
        self.trace.add(part_c, STEP_S)
        if abs(part_c - self.target_c) <= self.band_c:
            self.in_band_s += STEP_S
        if soaking:
            self.square_sum += (part_c - self.target_c) ** 2 * STEP_S
            self.soaked_s += STEP_S

    def figures(self) -> dict[str, float | None]:
        """The keys of the JSON."""
        equivalent_s = self.trace.equivalent_s
        reached = equivalent_s > 0.0
        equivalent_c = None
        if reached:
            equivalent_c = equivalent_temperature_c(parameter(self.target_c, equivalent_s), self.soak_s)
        return {
            "temperature_c": self.target_c,
            "soak_s": self.soak_s,
            "in_band_s": self.in_band_s,
            "part_peak_c": round(self.part_peak_c, 3),
            "air_peak_c": round(self.air_peak_c, 3),
            "part_rms_c": round((self.square_sum / self.soaked_s) ** 0.5, 3) if self.soaked_s else None,
            "equivalent_c": None if equivalent_c is None else round(equivalent_c, 3),
            "equivalent_s": round(equivalent_s, 1),
        }


def run(args: Namespace) -> int:
    """0 ended, 3 tripped or stopped, 2 bad input."""
    library = load_shipped()
    try:
        program = _program(args.program, library.programs)
        load = _load(args)
    except ValueError as error:
        lines = getattr(error, "lines", None)
        print("\n".join(lines()) if lines else error, file=sys.stderr)
        return 2
    limits = shop_of(demo_shop_text(), library, name="demo.toml").limits
    shop = SimShop(
        args.seed, load=load, part_sensor=args.part_sensor, start_c=min(args.start_c, 40.0),
        initial=Initial(oven_c=args.start_c),
    )  # fmt: skip
    pump = Pump(lambda _: Core(limits), Link())
    began_s = time.perf_counter()
    result = Rehearsed(shop, pump, program, load, sys.stderr if sys.stderr.isatty() else None)
    outcome = result.run()
    took_s = time.perf_counter() - began_s
    if outcome == "refused":
        print("\n".join(result.refusals), file=sys.stderr)
        return 2
    figures = {
        "outcome": outcome,
        "program": program.name,
        "seed": args.seed,
        "duration_s": shop.now_s,
        "tempers": [one.figures() for one in result.measured],
        "energy_kwh": round(shop.oven.energy_in_j / 3.6e6, 4),
        "trips": result.trips,
        "times_real_time": round(shop.now_s / took_s, 1),
    }
    text = json.dumps(figures, indent=2)
    if args.json and str(args.json) == "-":
        print(text)
        if outcome != "ended":
            print(result.ending, file=sys.stderr)
    elif args.json:
        try:
            args.json.write_text(text + "\n", encoding="utf-8")
        except OSError as error:
            print(f"{args.json} cannot be written: {error.strerror}.", file=sys.stderr)
            return 2
    if not args.json or str(args.json) != "-":
        print("\n".join(_summary(figures, args, result)))
    return 0 if outcome == "ended" else 3


def _program(name: str, programs: dict[str, Program]) -> Program:
    known = named(name, programs)
    if known is not None:
        return known
    path = Path(name)
    if path.suffix == ".toml" or path.exists():
        return parse_program(read_text(path), name=str(path))
    raise ValueError(unknown("program", name, programs))


def _load(args: Namespace) -> tuple[LoadItem, ...]:
    """Raises ValueError with every wrong number."""
    wrong = [
        f"{option} is {value:g}; it must lie between {low:g} and {high:g}."
        for option, value, low, high in (
            ("--load-kg", args.load_kg, 0.005, 20.0),
            ("--section-mm", args.section_mm, 1.0, 200.0),
            ("--start-c", args.start_c, -20.0, 290.0),
        )
        if not low <= value <= high
    ]
    if wrong:
        raise ValueError("\n".join(wrong))
    return (LoadItem(args.load_kg, args.section_mm),)


class Rehearsed:
    """The lock-step run. `measured`: one entry for each temper that began. `ending`: how it ended, in a sentence or
    more."""

    def __init__(
        self, shop: SimShop, pump: Pump, program: Program, load: tuple[LoadItem, ...], bar: TextIO | None
    ) -> None:
        self._shop, self._pump, self._program, self._load, self._bar = shop, pump, program, load, bar
        self.measured: list[Measured] = []
        self.trips: list[str] = []
        self.refusals: list[str] = []
        self._answers: list[Request] = []
        self._shown = -1
        self.ending = ""
        self.forecast_s = 0.0
        self.estimate_error_k = 99.0

    def run(self) -> str:
        """ "ended", "tripped", "refused", or "stopped": over without its last soak, or not over in LONGEST_S."""
        shop, pump = self._shop, self._pump
        pump.link.port_changed("")
        back = b""
        while shop.now_s < LONGEST_S:
            sent = shop.exchange(back, STEP_S)
            now_s = shop.now_s
            if now_s == 3.0:
                shop.press("arm")
            requests, self._answers = self._answers, []
            if now_s == 5.0:
                requests = [Request(1, Start(self._program, self._load), "rehearsal")]
            back, outcomes = pump.step(sent, now_s, requests, True)
            for outcome in outcomes:
                for event in outcome.events:
                    ended = self._event(event)
                    if ended:
                        if ended == "ended":
                            self._progress(1.0)
                        else:
                            self._leave_the_bar()
                        return ended
            self._measure()
            error_k = pump.core.oven.part_error_c
            if pump.core.oven.phase == "soak" and error_k is not None:
                self.estimate_error_k = min(self.estimate_error_k, error_k)
            if now_s % 60.0 == 0.0:
                left_s = pump.core.oven.ends_in_s
                if left_s is not None:
                    self._progress(now_s / (now_s + left_s))
        self._leave_the_bar()
        self.ending = _not_over(pump)
        return "stopped"

    def _event(self, event: Event) -> str:
        if event.kind == "interlock_tripped":
            self.trips.append(str(event.data["interlock"]))
            self.ending = f"{self.ending} {event.text}".strip()
        elif event.kind == "request_refused":
            self.refusals = [reason.text for reason in event.data["reasons"]]
            return "refused"
        elif event.kind == "run_started":
            self.forecast_s = float(event.data["forecast_s"])
        elif event.kind == "heat_up":
            number = len(self.measured)
            temper = self._program.tempers[number]
            self.measured.append(
                Measured(temper.temperature_c, temper.soak_s, temper.band_c, trace=TemperTrace(temper.temperature_c))
            )
        elif event.kind == "prompt_asked":
            prompt = self._pump.core.prompt()
            if prompt is not None:
                self._answers.append(Request(2, Confirm(prompt.id), "rehearsal"))
        elif event.kind == "run_ended":
            # A trip has said more than that there was one.
            self.ending = self.ending or event.text
            return str(event.data["outcome"])
        return ""

    def _measure(self) -> None:
        if self.measured:
            oven = self._shop.oven
            core_c = oven.core_c
            self.measured[-1].add(core_c, oven.air_c, self._pump.core.oven.phase == "soak")

    def _progress(self, share: float) -> None:
        filled = round(share * BAR)
        if self._bar is not None and filled != self._shown:
            self._shown = filled
            end = "\n" if share >= 1.0 else ""
            self._bar.write(f"\r[{'=' * filled}{' ' * (BAR - filled)}] {share:4.0%}{end}")
            self._bar.flush()

    def _leave_the_bar(self) -> None:
        """What is said next begins a line of its own; a bar that is not full stays as far as it came."""
        if self._bar is not None and self._shown >= 0:
            self._bar.write("\n")


def _not_over(pump: Pump) -> str:
    """Why a run is on still, as far as the interlocks say it."""
    core = pump.core
    said = [f"It was not over after {LONGEST_S / 3600.0:g} simulated hours, the longest that is rehearsed."]
    said += [f"{row.text} {row.advice}" for row in core.interlocks.failing("oven")]
    if len(said) == 1:
        said.append(f"No interlock withheld heat; it was in its {core.oven.phase.replace('_', ' ')}.")
    return " ".join(said)


def _summary(figures: dict[str, Any], args: Namespace, result: Rehearsed) -> list[str]:
    """What a smith wants to know."""
    hours, minutes = divmod(round(figures["duration_s"] / 60.0), 60)
    lines = []
    if figures["outcome"] == "ended":
        lines.append(f"{figures['program']}: ended after {hours} h {minutes} min (simulated shop {args.seed}).")
    else:
        lines.append(f"{figures['program']}: {figures['outcome']} after {hours} h {minutes} min.")
        lines += [f"  tripped: {name.replace('_', ' ')}" for name in figures["trips"]]
        lines.append(f"  {result.ending}")
    for number, temper in enumerate(figures["tempers"], start=1):
        lines.append(
            f"  Temper {number}: the steel's core was in band for {temper['in_band_s'] / 60.0:.0f} min at "
            f"{temper['temperature_c']:g} °C, highest {temper['part_peak_c']:.1f} °C; the air reached "
            f"{temper['air_peak_c']:.0f} °C."
        )
        if temper["in_band_s"] < 0.9 * temper["soak_s"]:
            lines.append(
                "    The steel was out of its band for much of the soak: this temper is not the one asked for."
            )
        if temper["equivalent_c"] is not None:
            lines.append(f"    That tempers like {temper['soak_s'] / 60.0:.0f} min at {temper['equivalent_c']:.1f} °C.")
    measured = "a thermocouple on the steel"
    if not args.part_sensor:
        measured = (
            f"an estimate of the steel, sure to ± {result.estimate_error_k:.0f} °C at its best (no thermocouple on it)"
        )
    lines.append(f"  With {measured}. {figures['energy_kwh']:.2f} kWh.")
    lines.append(f"  {figures['times_real_time']:.0f} times as fast as the clock.")
    return lines
