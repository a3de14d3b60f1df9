"""A whole shop in lock-step for the tests of the core: plant, twin, link and core, no clock, no thread."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

from controller.core.limits import Limits, derive
from controller.core.tick import Core
from controller.model import Event, LoadItem, Oil, Outcome, Program, Request, Start, Temper, Wish
from controller.sim.shop import Initial, SimShop
from controller.wire.link import Link

CANOLA = Oil("canola", "vegetable", 290.0, 40.0, 65.0, 0.915, 2000.0)


def limits(
    *, oven: bool = True, tank: bool = True, oil: Oil | None = CANOLA, limit_c: float = 300.0,
    boost_c: float = 12.0, shared: bool = False, cutout: str = "", altitude_m: float = 0.0, heater_w: float = 1000.0,
) -> Limits:  # fmt: skip
    """Limits of a shop that matches the simulated one."""
    shop = SimpleNamespace(
        units="C",
        altitude_m=altitude_m,
        oven=SimpleNamespace(
            limit_c=limit_c, boost_cap_c=boost_c, independent_cutout=cutout, thermocouple="K", heater_w=1500.0
        )
        if oven
        else None,
        tank=SimpleNamespace(thermocouple="K", heater_w=heater_w, volume_l=10.0) if tank else None,
        circuit=SimpleNamespace(shared=shared),
    )
    return derive(shop, oil)  # type: ignore[arg-type]


def program(*tempers: Temper, until_equivalent: bool = False) -> Program:
    """A program without a name that matters."""
    return Program("test temper", tempers or (Temper(205.0, 1200.0),), until_equivalent)


class Rig:
    """Moves in ticks of a quarter second. `events` gathers everything that happened."""

    def __init__(
        self, limits_: Limits | None = None, *, seed: int = 0, load: tuple[LoadItem, ...] = (LoadItem(0.3, 12.0),),
        part_sensor: bool = True, fitted: int | None = None, state: dict[str, object] | None = None,
        oven_c: float | None = None, tank_c: float | None = None,
    ) -> None:  # fmt: skip
        self.core = Core(limits_ or limits(), state=state)
        self.link = Link()
        self.link.port_changed("")
        first = Initial(oven_c=oven_c, tank_c=tank_c)
        self.shop = SimShop(seed, load=load, part_sensor=part_sensor, fitted=fitted, initial=first)
        self.load = load
        self.now_s = 0.0
        self.out = b""
        self.events: list[Event] = []
        self.outcome: Outcome | None = None
        self.cable = True
        self._next = 1

    def tick(self, *wishes: Wish) -> Outcome:
        """A quarter second; the wishes are asked in its tick."""
        self.now_s += 0.25
        back = self.shop.exchange(self.out if self.cable else b"", 0.25)
        if self.cable:
            self.link.receive(back, self.now_s)
        requests = [Request(self._next + i, wish, "test") for i, wish in enumerate(wishes)]
        self._next += len(wishes)
        self.outcome = self.core.tick(self.now_s, self.link.take_reading(), requests)
        self.out = self.link.send(self.outcome.command, self.now_s)
        self.events += self.outcome.events
        return self.outcome

    def run(self, seconds: float, until: Callable[[], bool] | None = None) -> None:
        """Time passes, or until something holds."""
        end_s = self.now_s + seconds
        while self.now_s < end_s and not (until and until()):
            self.tick()

    def arm(self) -> None:
        """Connect, press the arm button, wait until it shows."""
        self.run(3.0)
        self.shop.press("arm")
        self.run(1.5)
        assert self.core.moment.armed

    def start(self, program_: Program | None = None) -> None:
        """Arm and start."""
        self.arm()
        self.tick(Start(program_ or program(), self.load))
        assert self.core.oven.phase in ("heat_up", "prompt"), self.refusal()

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]

    def tripped(self) -> list[str]:
        return [event.data["interlock"] for event in self.events if event.kind == "interlock_tripped"]

    def refusal(self) -> list[str]:
        """Codes of the newest refusal."""
        for event in reversed(self.events):
            if event.kind == "request_refused":
                return [reason.code for reason in event.data["reasons"]]
        return []

    def phase(self) -> str:
        return self.core.oven.phase
