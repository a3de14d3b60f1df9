"""Telemetry to trusted temperatures: chip scale to ITS-90, fault letters, range, jumps, frozen words.

A value that is not trusted is NaN. Times and rates use the board's own milliseconds.
"""

from __future__ import annotations

from math import nan
from typing import Final

from controller.core.facts import Facts
from controller.core.limits import Limits
from controller.core.slowest import Slowest, after, begun
from controller.model import SENSORS, Board, Telemetry
from controller.thermocouple import MAX6675, Kind, true_c_hundredths

LOWEST_C: Final = -40.0
HIGHEST_C: Final = 900.0
# The worst door opening of 200 simulated ovens fell at 38.7 K/s; the rule allows 60 K/s and 2 K of noise.
JUMP_K: Final = 2.0
JUMP_K_PER_S: Final = 60.0
JUMP_ELAPSED_MAX_S: Final = 1.0
JUMP_AFRESH_S: Final = 10.0
BAD_IN_A_ROW: Final = 3
BAD_OF_TWENTY: Final = 5
HEAT_COUNTS_S: Final = 120.0
FROZEN_DUTY: Final = 0.2
FROZEN_OTHER_K: Final = 3.0
FROZEN_ALONE_K: Final = 5.0
FROZEN_OIL_DUTY: Final = 0.9
# Of what watts and litres promise the oil, as the row about no rise has it.
OIL_SHARE: Final = 0.25
# Heat, by watts and litres and nothing lost, that has to show in a single oil sensor before it is given any more.
UNMOVED_K: Final = 3.0
FROZEN_S: Final = 60.0
UNMOVED_SURE_S: Final = 300.0
SILENT_S: Final = 1.5


class Sensor:
    """One thermocouple as the telemetry shows it. `value_c` is NaN while it is not trusted."""

    __slots__ = (
        "_accepted_c", "_bits", "_jump_guard", "_jump_is_over", "_jumped_s", "_kind", "_since_accepted_s", "_unknown_s",
        "_word", "bad_hot", "fault", "fitted", "good_s", "jump_s", "jump_trip_s", "same_s", "value_c",
    )  # fmt: skip

    def __init__(self, kind: Kind, jump_guard: bool) -> None:
        self._kind = kind
        self._jump_guard = jump_guard
        self._jump_is_over = False
        self._accepted_c = nan
        self._since_accepted_s = self._unknown_s = 0.0
        self._bits = 0
        self._word = -(10**9)
        self.fitted = False
        self.fault = "N"
        self.value_c = nan
        self.good_s = 0.0
        self.jump_s = 0.0
        self.jump_trip_s = self._jumped_s = 0.0
        self.same_s = 0.0
        self.bad_hot = False

    def take(self, chip: int, word: int, cold: int, letter: str, dt_s: float, heated: bool) -> None:
        """One frame's word and fault letter; `heated`: the zone had heat within the last 120 s."""
        self.fault = letter
        if letter == "N":
            self.fitted = False
            self.value_c = nan
            return
        self.fitted = True
        value_c = true_c_hundredths(chip, self._kind, word, cold) if letter == "-" else nan
        if LOWEST_C <= value_c <= HIGHEST_C:
            self._good(value_c, word, dt_s, heated)
            return
        if letter == "-":
            self.fault = "R"
        self.value_c = nan
        self.good_s = self.same_s = 0.0
        # What comes back is compared with what was last accepted, or one bad word would excuse any jump.
        self._since_accepted_s += dt_s
        self._unknown_s += dt_s
        if heated:
            self._bits = (self._bits << 1 | 1) & 0xFFFFF
            if self._bits & 0b111 == 0b111 or self._bits.bit_count() >= BAD_OF_TWENTY:
                self.bad_hot = True

    def forget(self) -> None:
        """After a gap the next reading is compared with nothing. Trips of this sensor stay."""
        self._accepted_c = nan
        self._since_accepted_s = self._unknown_s = self.jump_s = self.same_s = 0.0
        self.jump_trip_s = self._jumped_s = 0.0

    def _good(self, value_c: float, word: int, dt_s: float, heated: bool) -> None:
        self.good_s += dt_s
        if heated:
            self._bits = self._bits << 1 & 0xFFFFF
        if self.good_s >= 30.0:
            self.bad_hot = False
        if word == self._word:
            self.same_s += dt_s
        else:
            self._word = word
            self.same_s = 0.0
        if self._jump_guard and not self._follows(value_c, dt_s):
            return
        self._accepted_c = self.value_c = value_c
        self._since_accepted_s = self._unknown_s = self.jump_s = 0.0

    def _follows(self, value_c: float, dt_s: float) -> bool:
        """Whether heat can have moved the reading this far; a reading that cannot is dropped."""
        elapsed_s = self._since_accepted_s + dt_s
        room_k = JUMP_K + JUMP_K_PER_S * min(elapsed_s, JUMP_ELAPSED_MAX_S + self._unknown_s)
        last_c = self._accepted_c
        # With nothing accepted before there is nothing to compare with.
        if last_c != last_c or abs(value_c - last_c) <= room_k:
            self._jump_is_over = True
            return True
        if self._jump_is_over:
            self._jump_is_over = False
            self._jumped_s = max(self._jumped_s, self.jump_trip_s)
            self.jump_trip_s = 0.0
        self._since_accepted_s = self.jump_s = elapsed_s
        if elapsed_s >= JUMP_ELAPSED_MAX_S:
            self.value_c = nan
        self.jump_trip_s += dt_s
        if self.jump_trip_s >= JUMP_AFRESH_S:
            # The row has its trip; from here the rule starts afresh with what the sensor shows now.
            self._accepted_c = value_c
        return False

    def jumped_s(self) -> float:
        """The longest jump since this was asked last, s: one that ended within a reading of several frames counts, and
        one that another followed in it."""
        lasted_s = max(self._jumped_s, self.jump_trip_s)
        self._jumped_s = 0.0
        if self._jump_is_over:
            self.jump_trip_s = 0.0
        return lasted_s


class Sensing:
    """All five sensors, and the facts that follow from the frames alone."""

    def __init__(self, limits: Limits) -> None:
        oven, tank = limits.oven_kind, limits.tank_kind
        kinds = (oven, oven, tank, tank, oven)
        self.sensors = tuple(Sensor(kind, name.startswith("oven")) for name, kind in zip(SENSORS, kinds, strict=True))
        self.oven, self.oven_limit, self.tank, self.tank_limit, self.part = self.sensors
        self._ms: int | None = None
        self._on_ms: tuple[int, int] | None = None
        self._cold = 0
        self._cold_same_s = 0.0
        self._frozen: dict[int, _Frozen] = {}
        self._alone = (_FrozenOven(), _FrozenOil(limits.tank_heater_w, limits.oil_heat_j_per_k()))
        self._oil = _UnmovedOil(limits.tank_heater_w, limits.oil_heat_j_per_k())
        self.frame: Telemetry | None = None
        self.oven_heat_s_ago = self.tank_heat_s_ago = 1e9

    def forget_time(self) -> None:
        """After a reboot the board's milliseconds and its counts of on-time start again, from 0."""
        self._ms = None
        self._on_ms = (0, 0)

    def since_s(self, frame: Telemetry) -> float:
        """By the board's own clock since the last frame, s; 0 where there was none or the board has started anew."""
        if self._ms is None or self.went_back(frame):
            return 0.0
        return ((frame.ms - self._ms) & 0xFFFFFFFF) / 1000.0

    def went_back(self, frame: Telemetry) -> bool:
        """Whether the board's milliseconds went back: it started anew, and nobody has said so yet."""
        return self._ms is not None and (frame.ms - self._ms) & 0xFFFFFFFF >= 0x80000000

    def forget_readings(self) -> None:
        """After silence or a reboot: no reading is compared with one from before."""
        for sensor in self.sensors:
            sensor.forget()

    def take(self, frame: Telemetry, board: Board, oven_duty: float, tank_duty: float) -> float:
        """One frame; the duties are those asked last. Returns the board's seconds since the frame before."""
        on_ms = (frame.oven_on_ms, frame.tank_on_ms)
        before, self._on_ms = self._on_ms or on_ms, on_ms
        dt_s = 0.25 if self._ms is None else ((frame.ms - self._ms) & 0xFFFFFFFF) / 1000.0
        self._ms = frame.ms
        dt_s = min(dt_s, 5.0)
        oven_on = oven_duty > 0.0 or bool(frame.outputs & 1) or on_ms[0] != before[0]
        tank_on = tank_duty > 0.0 or bool(frame.outputs & 2) or on_ms[1] != before[1]
        self.oven_heat_s_ago = 0.0 if oven_on else self.oven_heat_s_ago + dt_s
        self.tank_heat_s_ago = 0.0 if tank_on else self.tank_heat_s_ago + dt_s
        oven_hot = self.oven_heat_s_ago <= HEAT_COUNTS_S
        tank_hot = self.tank_heat_s_ago <= HEAT_COUNTS_S
        self._cold_same_s = self._cold_same_s + dt_s if frame.cold == self._cold else 0.0
        self._cold = frame.cold
        chip, cold, letters = board.chip, frame.cold, frame.faults
        if "N" in letters:
            letters = _missing(letters, board.fitted)
        self.oven.take(chip, frame.oven, cold, letters[0], dt_s, oven_hot)
        self.oven_limit.take(chip, frame.oven_limit, cold, letters[1], dt_s, oven_hot)
        self.tank.take(chip, frame.tank, cold, letters[2], dt_s, tank_hot)
        self.tank_limit.take(chip, frame.tank_limit, cold, letters[3], dt_s, tank_hot)
        self.part.take(chip, frame.part, cold, letters[4], dt_s, False)
        self.frame = frame
        return dt_s

    def fill(self, facts: Facts, board: Board | None, silent_s: float, limits: Limits) -> None:
        """Write the temperatures and the facts about sensors. Everything is unknown once the board is silent."""
        fresh = board is not None and self.frame is not None and silent_s < SILENT_S
        facts.board_silent_s = silent_s
        if not fresh or board is None or self.frame is None:
            for name in _READ_FACTS:
                setattr(facts, name, nan)
            return
        frame = self.frame
        facts.oven_c, facts.oven_limit_c = self.oven.value_c, self.oven_limit.value_c
        facts.tank_c, facts.tank_limit_c = self.tank.value_c, self.tank_limit.value_c
        facts.part_c = self.part.value_c
        facts.oven_max_c = _highest(self.oven, self.oven_limit, limits.oven_limit_c)
        facts.tank_max_c = _highest(self.tank, self.tank_limit, limits.oil_trip_c)
        facts.oven_bad = _bad(self.oven, self.oven_limit)
        facts.tank_bad = _bad(self.tank, self.tank_limit)
        facts.oven_bad_hot = float(self.oven.bad_hot or self.oven_limit.bad_hot)
        facts.tank_bad_hot = float(self.tank.bad_hot or self.tank_limit.bad_hot)
        facts.part_bad = float(self.part.fault not in "-N")
        facts.oven_jump_s = max(self.oven.jump_s, self.oven_limit.jump_s)
        facts.oven_jump_trip_s = max(self.oven.jumped_s(), self.oven_limit.jumped_s())
        facts.oven_heat_s_ago, facts.tank_heat_s_ago = self.oven_heat_s_ago, self.tank_heat_s_ago
        # A MAX6675 reports no cold junction, so there is nothing to judge.
        facts.cold_off_middle_k = 0.0 if board.chip == MAX6675 else abs(frame.cold / 100.0 - 25.0)

    def frozen(self, facts: Facts, board: Board, oven_duty: float, tank_duty: float) -> None:
        """Once a second: for how long a word stood still although the zone's other sensor moved; a single sensor:
        although even the slowest oven, a quarter of what the oil's heater gives, or the oil's loss had moved it."""
        carrier = next((i for i, sensor in enumerate(self.sensors) if sensor.fitted), -1)
        facts.oven_frozen_s = self._zone_frozen((0, 1), oven_duty, board.chip, carrier)
        facts.tank_frozen_s = self._zone_frozen((2, 3), tank_duty, board.chip, carrier)
        facts.tank_unmoved = float(self._oil.unmoved and not self.tank_limit.fitted)

    def _zone_frozen(self, pair: tuple[int, int], duty: float, chip: int, carrier: int) -> float:
        worst_s = 0.0
        for here, there in (pair, pair[::-1]):
            sensor, other = self.sensors[here], self.sensors[there]
            if not sensor.fitted:
                continue
            same_s = sensor.same_s
            if here == carrier and chip != MAX6675:
                same_s = min(same_s, self._cold_same_s)
            if other.fitted:
                watch = self._frozen.setdefault(here, _Frozen())
                worst_s = max(worst_s, watch.stood_s(same_s, other.value_c, duty))
            else:
                worst_s = max(worst_s, self._alone[here // 2].stood_s(same_s, sensor.value_c, duty))
                if sensor in (self.tank, self.tank_limit):
                    worst_s = max(worst_s, self._oil.stood_s(same_s, duty))
        return worst_s


class _Frozen:
    """Counts how long a word stood still at duty, and how far the zone's other sensor moved meanwhile."""

    __slots__ = ("high_c", "low_c", "stood", "word_s")

    def __init__(self) -> None:
        self.low_c = self.high_c = nan
        self.stood = self.word_s = 0.0

    def stood_s(self, same_s: float, other_c: float, duty: float) -> float:
        if same_s < self.word_s or same_s < 1.0 or duty <= FROZEN_DUTY:
            self.stood = 0.0
            self.low_c = self.high_c = other_c
        else:
            self.stood += same_s - self.word_s
            self.low_c = min(self.low_c, other_c)
            self.high_c = max(self.high_c, other_c)
        self.word_s = same_s
        return self.stood if self.high_c - self.low_c >= FROZEN_OTHER_K else 0.0


class _FrozenOven:
    """Counts how long a single oven sensor's word stood still at duty, while the slowest oven would have moved."""

    __slots__ = ("from_c", "model", "stood")

    def __init__(self) -> None:
        self.from_c = nan
        self.model: Slowest = begun(nan)
        self.stood = 0.0

    def stood_s(self, same_s: float, reading_c: float, duty: float) -> float:
        if same_s < 1.0 or duty <= FROZEN_DUTY:
            self.stood = 0.0
            self.from_c = reading_c
            self.model = begun(reading_c)
            return 0.0
        self.stood += 1.0
        self.model = after(self.model, duty, 1.0)
        return self.stood if self.model.probe_c - self.from_c >= FROZEN_ALONE_K else 0.0


class _FrozenOil:
    """The same for a single oil sensor: near full heat the oil gains at least a quarter of what it is given."""

    __slots__ = ("expected_k", "k_per_s", "stood")

    def __init__(self, heater_w: float, heat_j_per_k: float) -> None:
        self.k_per_s = OIL_SHARE * heater_w / heat_j_per_k if heat_j_per_k > 0.0 else 0.0
        self.stood = self.expected_k = 0.0

    def stood_s(self, same_s: float, reading_c: float, duty: float) -> float:
        if same_s < 1.0 or duty < FROZEN_OIL_DUTY:
            self.stood = self.expected_k = 0.0
            return 0.0
        self.stood += 1.0
        self.expected_k += self.k_per_s
        return self.stood if self.expected_k >= FROZEN_ALONE_K else 0.0


class _UnmovedOil:
    """A single oil sensor whose word does not move at all, by not one count, although the oil was given heat.

    `unmoved`: it has stood for a minute, and through 3 K of heat. The oil is given no more then. What it was given it
    must have lost meanwhile, or the word had moved; so without heat it falls by as much in the same time again,
    however much this tank loses, and the word of a sensor that lives moves long before.
    """

    __slots__ = ("given_k", "k_per_s", "sure_s", "unmoved", "word_s")

    def __init__(self, heater_w: float, heat_j_per_k: float) -> None:
        self.k_per_s = heater_w / heat_j_per_k if heat_j_per_k > 0.0 else 0.0
        self.given_k = self.word_s = self.sure_s = 0.0
        self.unmoved = False

    def stood_s(self, same_s: float, duty: float) -> float:
        if same_s < self.word_s or same_s < 1.0:
            self.given_k = 0.0
            self.unmoved = False
        else:
            self.given_k += duty * self.k_per_s * (same_s - self.word_s)
        self.word_s = same_s
        if same_s < FROZEN_S or self.given_k < UNMOVED_K:
            return 0.0
        if not self.unmoved:
            self.unmoved = True
            self.sure_s = max(UNMOVED_SURE_S, 2.0 * same_s)
        return same_s if same_s >= self.sure_s else 0.0


_READ_FACTS: Final = (
    "oven_c", "oven_limit_c", "tank_c", "tank_limit_c", "part_c", "oven_max_c", "tank_max_c", "oven_bad",
    "tank_bad", "oven_bad_hot", "tank_bad_hot", "part_bad", "oven_jump_s", "oven_jump_trip_s",
    "cold_off_middle_k",
)  # fmt: skip


def _bad(control: Sensor, limit: Sensor) -> float:
    """1 when a fitted sensor of the zone, or the control sensor at all, gives no good word."""
    return float(control.fault != "-" or limit.fault not in "-N")


def _missing(letters: str, fitted: int) -> str:
    """The letters, with `X` (its chip does not answer) for a sensor that is fitted by the greeting and yet says `N`."""
    return "".join("X" if letter == "N" and fitted >> place & 1 else letter for place, letter in enumerate(letters))


def _highest(control: Sensor, limit: Sensor, trip_c: float | None) -> float:
    """The higher of the zone's fitted sensors; NaN where one of them is not trusted.

    At its trip or over it one sensor alone is enough: what it says is not hidden by the loss of the other.
    """
    one = control.value_c
    if not limit.fitted:
        return one
    other = limit.value_c
    if one >= other:
        return one
    if other > one:
        return other
    known = other if one != one else one
    return known if trip_c is not None and known >= trip_c else nan
