"""For each row of the interlock table: how its cause is brought about on the simulated shop, and what must follow.

`within_s` is how long the heater's output at the board may stay on after the cause, from the rules: what the row
bears or watches for, the board's own times (a sample every 200 ms, two for a limit, 20 and 100 ms of debounce, 2.0 s
of silence), and a tick. Rows that need an hour's wait, or that the gate makes impossible, are driven by the number
they look at; `why` says so.
"""

from __future__ import annotations

import json
from binascii import crc_hqx
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from controller.core.limits import Limits
from controller.core.tick import Core
from controller.model import (
    Confirm,
    LoadItem,
    Outcome,
    Preheat,
    Presence,
    Quench,
    Request,
    Resume,
    Start,
    StopAll,
    Temper,
    Wish,
)
from controller.sim.shop import FULL_KIT
from controller.wire.link import Link
from tests.core.rig import CANOLA, Rig, limits, program

BAR: Final = (LoadItem(0.3, 12.0),)
TICK_S: Final = 0.25
SAMPLE_S: Final = 0.2


class Shop(Rig):
    """A rig whose board may answer with another layout, whose link may ask for less than it was told to, and where
    single sensors may be warmed. `hot_spots`: place of the sensor and the °C that something near it brings it to."""

    def __init__(self, limits_: Limits | None = None, *, load: tuple[LoadItem, ...] = BAR, fitted: int | None = None):
        super().__init__(limits_, load=load, fitted=fitted)
        self.foreign = False
        self.asked_share = 1.0
        self.hot_spots: dict[int, float] = {}

    def tick(self, *wishes: Wish) -> Outcome:
        """As the rig's, over the same wire."""
        self.now_s += TICK_S
        probes = self.shop.probes
        for place, c in self.hot_spots.items():
            probes.now_c[place] = min(c, probes.now_c[place] + 10.0)
        back = self.shop.exchange(self.out if self.cable else b"", TICK_S)
        if self.cable:
            self.link.receive(_foreign(back) if self.foreign else back, self.now_s)
        requests = [Request(self._next + i, wish, "test") for i, wish in enumerate(wishes)]
        self._next += len(wishes)
        self.outcome = outcome = self.core.tick(self.now_s, self.link.take_reading(), requests)
        command, share = outcome.command, self.asked_share
        less = command._replace(oven_duty=command.oven_duty * share, tank_duty=command.tank_duty * share)
        self.out = self.link.send(less, self.now_s)
        self.events += outcome.events
        return outcome

    def restart(self) -> None:
        """The daemon starts anew with what it had written down."""
        self.core = Core(self.core.limits, state=json.loads(json.dumps(self.core.state())))
        self.link = Link()
        self.link.port_changed("")
        self.out = b""


def _foreign(data: bytes) -> bytes:
    """The greeting's layout number made another, with a good check sum."""
    lines = data.split(b"\n")
    for place, line in enumerate(lines):
        if line.startswith(b"!H,"):
            fields = line[1:-5].split(b",")
            fields[3] = b"4711"
            body = b",".join(fields)
            lines[place] = b"!%s*%04X" % (body, crc_hqx(body, 0xFFFF))
    return b"\n".join(lines)


Do = Callable[[Shop], object]


@dataclass(frozen=True)
class Recipe:
    """`before`: to where heat is on (or wanted). `cause` and `undo`: what the world does. `within_s`: from the
    cause to output off; None: an alert, or no heat was there. `output`: what must go off at the board.
    `acts_s`: how long the row may take to act. `since`: when the cause counts as there. `needs`: what the hand does
    for a withhold to end, after the cause is gone. `clears_s`: how long that may take."""

    before: Do
    cause: Do
    undo: Do
    acts_s: float
    within_s: float | None = None
    output: str = "oven"
    since: Callable[[Shop], bool] | None = None
    needs: Do | None = None
    clears_s: float = 5.0
    why: str = ""
    heated: bool = True


def faults(name: str) -> tuple[Do, Do]:
    return (lambda shop: shop.shop.fault(name, True)), (lambda shop: shop.shop.fault(name, False))


def nothing(shop: Shop) -> None:
    """Nothing to do."""


# --- to where heat is on -------------------------------------------------------------------------------------


def armed(shop: Shop) -> None:
    shop.arm()


def heating(shop: Shop) -> None:
    """Full heat, the air half way up."""
    shop.start(program(Temper(230.0, 3600.0)))
    shop.run(600.0, lambda: shop.core.facts.oven_c > 90.0)


def warm(shop: Shop) -> None:
    """Full heat, begun a minute ago: swapped wires still read inside the range."""
    shop.start(program(Temper(230.0, 3600.0)))
    shop.run(600.0, lambda: shop.core.facts.oven_c > 74.0)


def hot(shop: Shop) -> None:
    shop.start(program(Temper(230.0, 3600.0)))
    shop.run(600.0, lambda: shop.core.facts.oven_c > 150.0)


def soaking(shop: Shop) -> None:
    shop.start(program(Temper(150.0, 3600.0)))
    shop.run(3600.0, lambda: shop.phase() == "soak")
    shop.run(310.0)


def oil_heating(shop: Shop) -> None:
    """Full heat in oil of 40 °C, long after that was put in."""
    oil_at(40.0)(shop)
    shop.run(630.0)
    shop.arm()
    shop.tick(Preheat(min(60.0, shop.core.limits.bath_max_c() or 0.0)))
    shop.run(70.0)


def idle_hot(shop: Shop) -> None:
    """Armed, and the heat was just stopped."""
    heating(shop)
    shop.tick(StopAll())


# --- what the world does ---------------------------------------------------------------------------------------


def refit(bits: int) -> Do:
    """Another board, or the same with other parts: it starts anew and says so."""

    def act(shop: Shop) -> None:
        shop.shop.board.fitted = bits
        shop.shop.fault("board_reboot", True)

    return act


def rearm(shop: Shop) -> None:
    shop.run(3.0)
    shop.shop.press("arm")
    shop.run(1.5)


def go_on(shop: Shop) -> None:
    rearm(shop)
    shop.tick(Resume(1))


def oil_at(c: float) -> Do:
    def act(shop: Shop) -> None:
        shop.hot_spots.clear()
        tank = shop.shop.tank
        tank.sheath_c = tank.upper_c = tank.lower_c = tank.wall_c = c

    return act


def hot_spot(place: int, c: float) -> Do:
    """One sensor is warmed where it sits, while the zone's other sensor still asks for heat."""

    def act(shop: Shop) -> None:
        shop.hot_spots[place] = c

    return act


def words_at(places: tuple[int, int], limit: Callable[[Limits], int | None]) -> Callable[[Shop], bool]:
    """Whether the board's newest sample has one of these sensors at the limit that was sent to it."""

    def holds(shop: Shop) -> bool:
        at = limit(shop.core.limits)
        values = shop.shop.board._sample.values
        return at is not None and max(values[place] for place in places) >= at

    return holds


OVEN_AT_LIMIT: Final = words_at((0, 1), lambda limits_: limits_.for_board(31855).oven_trip)
OIL_AT_TRIP: Final = words_at((2, 3), lambda limits_: limits_.for_board(31855).tank_trip)
OIL_AT_LIMIT: Final = words_at((2, 3), lambda limits_: limits_.for_board(31855).tank_off)


def cool_oven(shop: Shop) -> None:
    shop.hot_spots.clear()
    oven = shop.shop.oven
    oven.air_c = oven.wall_c = oven.element_c = oven.rack_c = oven.glass_c = oven.shell_c = 100.0
    shop.run(60.0)


def warm_oil_to(c: float, k_per_s: float) -> Do:
    """The oil is warmed by something else, evenly."""

    def act(shop: Shop) -> None:
        tank = shop.shop.tank
        while shop.core.facts.tank_max_c < c and not shop.tripped():
            tank.upper_c += k_per_s * TICK_S
            tank.lower_c = tank.upper_c
            shop.tick()

    return act


def block_at(c: float) -> Do:
    """The terminal block has long been this warm."""

    def act(shop: Shop) -> None:
        shop.shop.fault("terminal_block_hot", c > 50.0)
        shop.shop.probes.cold_c = c

    return act


def welded(shop: Shop) -> None:
    shop.shop.fault("oven_relay_welded", True)


def welded_with_contactor(shop: Shop) -> None:
    shop.shop.fault("oven_relay_welded", True)
    shop.shop.fault("contactor_welded", True)


def unwelded(shop: Shop) -> None:
    for name in ("oven_relay_welded", "tank_relay_welded", "contactor_welded"):
        shop.shop.fault(name, False)


def welded_twice(shop: Shop) -> None:
    """The contactor ends the first flight; the relay, still stuck, heats again when it closes."""
    welded(shop)
    shop.run(3600.0, lambda: shop.core.interlocks.acting("oven_over_program"))
    assert shop.core.interlocks.acting("oven_over_program")


def tank_welded(shop: Shop) -> None:
    shop.tick(StopAll())
    shop.shop.fault("tank_relay_welded", True)
    shop.shop.fault("contactor_welded", True)


def quench_and_fire(shop: Shop) -> None:
    shop.shop.tank.quench(0.3, 845.0, 20.0)
    shop.shop.fault("oil_fire", True)


def fire_out(shop: Shop) -> None:
    shop.shop.fault("oil_fire", False)
    oil_at(40.0)(shop)


def hotter_steel(shop: Shop) -> None:
    shop.shop.oven.load_c += 25.0


def overdue(shop: Shop) -> None:
    run = shop.core.oven.run
    assert run is not None
    run.ran_s = run.forecast_s + 4 * 3600.0


def short_of_duty(share: float) -> Do:
    def act(shop: Shop) -> None:
        shop.asked_share = share

    return act


def say_no(shop: Shop) -> None:
    shop.shop.fault("oven_probe_out", True)
    shop.run(200.0, lambda: shop.core.interlocks.acting("oven_falling_asked"))
    shop.tick(Confirm("door", False))


NO_DOOR: Final = FULL_KIT & ~1024
ONE_SENSOR: Final = FULL_KIT & ~2
DEBOUNCE: Final = 0.1 + TICK_S

# A shop of its own for a recipe that needs one; the others stand in the full kit.
SHOPS: Final[dict[str, Callable[[], Shop]]] = {
    "board_trip": lambda: Shop(fitted=FULL_KIT | 32),
    "oven_falling_asked": lambda: Shop(fitted=NO_DOOR),
    "oven_falling_lasting": lambda: Shop(fitted=NO_DOOR),
    "part_unknown": lambda: Shop(load=()),
    "oil_unknown": lambda: Shop(limits(oil=None)),
    "oil_trip": lambda: Shop(limits(oil=replace(CANOLA, flash_low_c=120.0))),
    "tank_limit": lambda: Shop(limits(oil=replace(CANOLA, bath_max_c=95.0))),
    "tank_limit_heating": lambda: Shop(limits(oil=replace(CANOLA, bath_max_c=95.0))),
    "shared_circuit": lambda: Shop(limits(shared=True)),
}

RECIPES: Final[dict[str, Recipe]] = {
    "board_silent": Recipe(
        heating, lambda s: setattr(s, "cable", False), lambda s: setattr(s, "cable", True), 1.75, 2.05 + TICK_S
    ),
    "board_protocol": Recipe(
        heating, lambda s: (setattr(s, "foreign", True), s.shop.fault("board_reboot", True)),
        lambda s: (setattr(s, "foreign", False), s.shop.fault("board_reboot", True)), 4.0, TICK_S,
    ),
    "board_chip": Recipe(
        heating, lambda s: (setattr(s.core, "limits", replace(s.core.limits, oven_kind="J")),
                            setattr(s.shop.board, "chip", 6675), s.shop.fault("board_reboot", True)),
        lambda s: (setattr(s.core, "limits", limits()), setattr(s.shop.board, "chip", 31855),
                   s.shop.fault("board_reboot", True)), 4.0, TICK_S,
        why="the thermocouple's type is the shop file's, so that it is changed with the board",
    ),
    "board_trip": Recipe(soaking, welded, unwelded, 3.0, 1.0 + 0.3 + TICK_S, "contactor",
                         why="current in the off part of a window"),
    "stop_circuit": Recipe(heating, *faults("stop_pressed"), 0.5, 0.3),
    "smoke": Recipe(heating, *faults("smoke"), 0.5, DEBOUNCE),
    "cold_junction": Recipe(
        heating, block_at(85.0), block_at(25.0), 5.0, 2.0 + 2 * TICK_S,
        since=lambda s: s.core.facts.cold_off_middle_k >= 45.0,
    ),
    "shared_circuit": Recipe(
        heating, nothing, nothing, 1.0, 2 * TICK_S,
        why="the gate never lets the sum pass 1: the sum itself is written before each tick",
    ),
    "oven_fitted": Recipe(heating, refit(FULL_KIT & ~3), refit(FULL_KIT), 4.0, TICK_S),
    "oven_sensor": Recipe(heating, *faults("oven_sensor_open"), 0.5, SAMPLE_S + TICK_S),
    "oven_sensor_lost": Recipe(heating, *faults("oven_sensor_open"), 1.25, SAMPLE_S + TICK_S),
    "oven_limit": Recipe(hot, hot_spot(1, 310.0), cool_oven, 12.0, 0.6, since=OVEN_AT_LIMIT, heated=False,
                         why="the loop leaves less and less heat near the limit and none at it"),
    "oven_jump": Recipe(warm, *faults("oven_sensor_reversed"), 1.75, 1.0 + SAMPLE_S + TICK_S),
    "oven_jump_lasting": Recipe(warm, *faults("oven_sensor_reversed"), 11.0, 1.0 + SAMPLE_S + TICK_S),
    "oven_frozen": Recipe(heating, *faults("oven_sensor_frozen"), 63.0, 63.0),
    "oven_over_program": Recipe(
        soaking, welded, unwelded, 240.0, 20.0 + 4 * TICK_S, "contactor",
        since=lambda s: s.core.facts.oven_over_k >= 25.0, clears_s=1800.0,
    ),
    "oven_over_rising": Recipe(soaking, welded_with_contactor, unwelded, 300.0, 20.0 + 4 * TICK_S, "contactor",
                               since=lambda s: s.core.facts.oven_over_k >= 25.0),
    "oven_over_again": Recipe(soaking, welded_twice, unwelded, 3600.0, 0.5, "contactor",
                              since=lambda s: s.core.interlocks.acting("oven_over_again")),
    "oven_rising_off": Recipe(idle_hot, welded_with_contactor, unwelded, 200.0),
    "oven_no_rise": Recipe(armed, lambda s: (s.shop.fault("oven_element_open", True),
                                             s.tick(Start(program(Temper(230.0, 3600.0)), BAR))),
                           lambda s: s.shop.fault("oven_element_open", False), 123.0, 123.0, heated=False),
    "oven_falling": Recipe(hot, *faults("oven_probe_out"), 60.0, 60.0),
    "oven_falling_asked": Recipe(hot, *faults("oven_probe_out"), 200.0, 200.0, clears_s=60.0),
    "oven_falling_lasting": Recipe(hot, say_no, lambda s: s.shop.fault("oven_probe_out", False), 3.0, 200.0),
    "oven_disagree": Recipe(soaking, lambda s: s.shop.probes.astray.add(1), lambda s: s.shop.probes.astray.discard(1),
                            420.0, 420.0),
    "part_over": Recipe(soaking, hotter_steel, nothing, 75.0, 75.0, clears_s=3600.0),
    "part_sensor": Recipe(heating, *faults("part_sensor_open"), 3.0),
    "part_unknown": Recipe(heating, *faults("part_sensor_open"), 3.0, 2.0 + 3 * TICK_S),
    "oven_hot": Recipe(hot, lambda s: (s.tick(StopAll()), s.tick(Start(program(Temper(100.0, 60.0)), BAR))),
                       cool_oven, 1.0, why="an alert: the start itself is refused", heated=False),
    "door": Recipe(heating, *faults("door_open"), 0.5, 0.3),
    "oven_one_sensor": Recipe(heating, refit(ONE_SENSOR), refit(FULL_KIT), 4.0, TICK_S),
    "oven_delivery": Recipe(heating, short_of_duty(0.7), short_of_duty(1.0), 34.0, 34.0),
    "run_paused": Recipe(heating, *faults("board_reboot"), 4.0, TICK_S, needs=go_on),
    "run_too_long": Recipe(heating, overdue, nothing, 0.5, 2 * TICK_S, needs=lambda s: s.tick(Presence()),
                           why="four hours: the run's own clock is moved on"),
    "tank_fitted": Recipe(oil_heating, refit(FULL_KIT & ~12), refit(FULL_KIT), 4.0, TICK_S, "tank"),
    "oil_trip": Recipe(oil_heating, hot_spot(3, 100.0), oil_at(50.0), 5.0, 0.6, "tank", since=OIL_AT_TRIP,
                       why="an oil that flashes at 120 °C, where tank limit and trip are one"),
    "tank_sensor": Recipe(oil_heating, *faults("tank_sensor_open"), 0.5, SAMPLE_S + TICK_S, "tank"),
    "tank_sensor_lost": Recipe(oil_heating, *faults("tank_sensor_open"), 1.25, SAMPLE_S + TICK_S, "tank"),
    "oil_unknown": Recipe(lambda s: (s.arm(), s.tick(Preheat(50.0))), nothing, nothing, 0.5, heated=False,
                          why="the oil is the shop file's: there was never heat"),
    "oil_ceiling": Recipe(oil_heating, hot_spot(3, 70.0), oil_at(50.0), 5.0, 0.6, "tank", clears_s=30.0,
                          since=lambda s: s.core.facts.tank_max_c >= (s.core.limits.oil_ceiling_c or 0.0)),
    "boil_over": Recipe(oil_heating, warm_oil_to(98.0, 0.6), oil_at(50.0), 5.0),
    "oil_over_target": Recipe(oil_heating, lambda s: setattr(s.core.tank, "_over_times", 2),
                              lambda s: setattr(s.core.tank, "_over_times", 0), 1.0,
                              why="twice over the target: the tests of the tank bring it about"),
    "tank_limit": Recipe(lambda s: (oil_heating(s), s.tick(Quench(None))), hot_spot(3, 95.0), oil_at(50.0), 8.0, 0.2,
                         "tank", clears_s=60.0, since=OIL_AT_LIMIT,
                         why="an oil whose ceiling is the tank limit: a lower one takes the heat before"),
    "tank_limit_heating": Recipe(oil_heating, hot_spot(3, 95.0), oil_at(50.0), 8.0, 0.2, "tank", since=OIL_AT_LIMIT,
                                 why="as the row before"),
    "tank_frozen": Recipe(oil_heating, *faults("tank_sensor_frozen"), 130.0, 130.0, "tank"),
    "tank_no_rise": Recipe(oil_heating, *faults("tank_element_open"), 320.0, 320.0, "tank"),
    "tank_apart": Recipe(oil_heating, lambda s: s.shop.probes.astray.add(3), lambda s: s.shop.probes.astray.discard(3),
                         220.0, 220.0, "tank"),
    "tank_falling": Recipe(oil_heating, *faults("tank_probe_out"), 65.0, 65.0, "tank"),
    "tank_rising_off": Recipe(oil_heating, tank_welded, lambda s: (unwelded(s), oil_at(30.0)(s)), 1500.0, 0.5, "tank"),
    "oil_step": Recipe(oil_heating, *faults("quench"), 20.0, clears_s=70.0),
    "oil_still_rising": Recipe(oil_heating, quench_and_fire, fire_out, 130.0, 130.0, "tank"),
    "oil_enough": Recipe(oil_heating, lambda s: s.tick(Quench(5.0)), nothing, 1.5, clears_s=900.0),
    "level": Recipe(armed, *faults("level_low"), 0.5, heated=False),
    "level_heating": Recipe(oil_heating, *faults("level_low"), 0.5, DEBOUNCE, "tank"),
    "agitator": Recipe(oil_heating, *faults("agitator_stuck"), 4.0, 3.0 + DEBOUNCE + TICK_S, "tank"),
    "tank_delivery": Recipe(oil_heating, short_of_duty(0.7), short_of_duty(1.0), 34.0, 34.0, "tank"),
    "presence": Recipe(oil_heating, lambda s: setattr(s.core.tank, "alone_s", 1799.8), nothing, 1.0, 3 * TICK_S, "tank",
                       needs=lambda s: s.tick(Presence()), why="half an hour: the tank's own count is moved on"),
}  # fmt: skip
