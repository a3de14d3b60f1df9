"""Walks the interlock table in every tick and gives the verdict: permit, withhold or trip, by zone.

A failing row is borne for its time; time that fails is counted up, time that holds is counted down at half
the pace, so that a flickering fault still acts. A fact that is not known withholds at once. Trips are
latched here, told to the board with every command, and dropped only when the board reports a completed hold
of its reset button and the cause is gone.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import inf
from operator import attrgetter, lt
from typing import Final, NamedTuple

from controller.core.facts import NEVER, Facts
from controller.core.limits import Limits
from controller.core.table import RESET, TABLE, Row
from controller.model import Event, RowState, VerdictName

PERMIT: Final = 0
WITHHOLD: Final = 1
TRIP: Final = 2
NAMES: Final[tuple[VerdictName, ...]] = ("permit", "withhold", "trip")
STANDS: Final = " Its cause still stood then."
UNPROVEN: Final = " It takes minutes without heat, and good sensors, to see that this is over."
_LOOK: Final = f"Look whether oven and oil cool down; if one does not, unplug it. {RESET}"
STRANGE_ADVICE: Final = (
    f"This version has no such trip and cannot judge its cause; the book says what it was. {_LOOK}"
)
NOT_KNOWN_ADVICE: Final = f"The disk took nothing, or what was kept is damaged, so a trip may have stood. {_LOOK}"
NOT_KNOWN: Final = "what_stood_before_is_not_known"
"""The latch of a start that does not know what stood: one that no table has, so that it is let go of last."""
_ALERT: Final = -1
_ACTIONS: Final = {"alert": _ALERT, "withhold": WITHHOLD, "trip": TRIP}


class Verdict(NamedTuple):
    """0 permit, 1 withhold, 2 trip. A trip is always both zones'. `contactor` False: it must be open."""

    oven: int
    tank: int
    contactor: bool
    latched: bool


_FACTS: Final = attrgetter(*(row.fact for row in TABLE))
FORBID: Final = Verdict(WITHHOLD, WITHHOLD, False, False)


class _State:
    """One row's memory: seconds failed, whether it acts, whether its trip is latched."""

    __slots__ = ("acting", "clear", "failed_s", "fitted", "latched", "limit", "refused", "row", "unknown", "wanted")

    def __init__(self, row: Row, limits: Limits) -> None:
        self.row = row
        self.limit = _number(row.limit, limits)
        self.clear = _number(row.limit if row.clear is None else row.clear, limits) - row.clear_below_k
        self.wanted = row.zone == "both" or (limits.oven if row.zone == "oven" else limits.tank)
        self.fitted = self.wanted
        self.failed_s = 0.0
        self.acting = False
        self.unknown = False
        self.latched = False
        self.refused = ""
        """Why the last hold of reset did not let go of its trip, for the smith who held it."""


def _number(limit: float | str, limits: Limits) -> float:
    """A row's limit. Without an oil its rows have no limit of their own: `oil_unknown` keeps the heat away."""
    if isinstance(limit, str):
        value = getattr(limits, limit)
        return inf if value is None else float(value)
    return limit


def standing(names: object) -> tuple[str, ...]:
    """The latches that a stored state tells; what is no list of names tells that something stood, but not what."""
    if not isinstance(names, (list, tuple)):
        return (NOT_KNOWN,)
    told = [name for name in names if isinstance(name, str)]
    return tuple(told) if len(told) == len(names) else (*told, NOT_KNOWN)


class Interlocks:
    """The table at work. `latched`: names of the rows whose trips an earlier process left standing.

    A name that is no trip of today's table is a trip of another version: it trips as well, and cannot be judged.
    """

    def __init__(self, limits: Limits, latched: Iterable[str] = ()) -> None:
        self._states = [_State(row, limits) for row in TABLE]
        self._by_name = {state.row.name: state for state in self._states}
        self._limits = [state.limit for state in self._states]
        self._busy = False
        self._fitted = -1
        self._rows: tuple[RowState, ...] | None = None
        self._verdict = FORBID
        self._strange: tuple[str, ...] = ()
        for name in dict.fromkeys(map(str, latched)):
            known = self._by_name.get(name)
            if known is None or known.row.action != "trip":
                self._strange = (*self._strange, name)
            else:
                known.latched = known.acting = True
                self._busy = True

    def rebind(self, limits: Limits) -> None:
        """Take today's table and these limits, and keep what every row remembers: for a replay, never in a shop."""
        old = self._by_name
        self._states = [_State(row, limits) for row in TABLE]
        self._by_name = {state.row.name: state for state in self._states}
        self._limits = [state.limit for state in self._states]
        for name, state in self._by_name.items():
            if name in old:
                before = old[name]
                state.fitted, state.failed_s = before.fitted, before.failed_s
                state.acting, state.unknown, state.latched = before.acting, before.unknown, before.latched
        self._busy = True

    @property
    def latched(self) -> tuple[str, ...]:
        """Names of the rows whose trip stands."""
        return (*(state.row.name for state in self._states if state.latched), *self._strange)

    def acting(self, name: str) -> bool:
        """Whether this row withholds, trips or alerts now."""
        return self._by_name[name].acting

    def fire(self) -> bool:
        """Whether the flash alarm stands: the oil at its trip, or rising as no quench explains."""
        return self.acting("oil_trip") or self.acting("oil_still_rising")

    def evaluate(self, facts: Facts, passed_s: float, at_s: float, events: list[Event]) -> Verdict:
        """The verdict for these facts; `passed_s` since the last call. Changes are appended to `events`."""
        if facts.fitted != self._fitted:
            self._fit(facts.fitted)
        # Nothing fails and nothing failed before: the whole table in one comparison, as it is nearly always.
        if not self._busy and all(map(lt, _FACTS(facts), self._limits)):
            return self._verdict
        self._busy = False
        changed = False
        for state, value in zip(self._states, _FACTS(facts), strict=True):
            changed |= self._step(state, value, passed_s, at_s, events)
        if changed or self._rows is None:
            self._rows = None
        self._verdict = self._worst()
        return self._verdict

    def _fit(self, fitted: int) -> None:
        self._fitted = fitted
        self._rows = None
        self._busy = True
        for state in self._states:
            state.fitted = state.wanted and (not state.row.needs or bool(fitted & state.row.needs))

    def _step(self, state: _State, value: float, passed_s: float, at_s: float, events: list[Event]) -> bool:
        row = state.row
        before = (state.acting, state.unknown)
        if not state.fitted:
            state.acting = state.latched
            state.failed_s = 0.0
            state.unknown = False
        elif value < state.limit:
            state.unknown = False
            state.failed_s = max(0.0, state.failed_s - 0.5 * passed_s)
            if state.acting and not state.latched and value < state.clear:
                state.acting = False
        elif value >= state.limit:
            state.unknown = False
            state.failed_s += passed_s
            if state.failed_s >= row.bear_s:
                state.acting = True
                state.latched |= row.action == "trip" and row.latched
        else:
            # Not known: no heat from this very tick, but a reading that is missing proves no trip.
            state.unknown = True
        if state.acting or state.unknown or state.failed_s > 0.0:
            self._busy = True
        if before == (state.acting, state.unknown):
            return False
        self._rows = None
        if state.acting != before[0]:
            events.append(_event(row, state.acting, at_s))
        return True

    def _worst(self) -> Verdict:
        if self._strange:
            return Verdict(TRIP, TRIP, False, True)
        oven = tank = PERMIT
        contactor = True
        latched = False
        for state in self._states:
            if not (state.acting or state.unknown):
                continue
            row = state.row
            level = _ACTIONS[row.action] if state.acting else (_ALERT if row.action == "alert" else WITHHOLD)
            if level == TRIP:
                oven = tank = TRIP
                contactor = False
                latched |= state.latched
                continue
            if row.zone != "tank":
                oven = max(oven, level)
            if row.zone != "oven":
                tank = max(tank, level)
            if row.name == "oven_over_program":
                # A relay that may be stuck is taken off the mains; the tank's heat hangs on the same contactor.
                contactor = False
                tank = max(tank, WITHHOLD)
        return Verdict(oven, tank, contactor, latched)

    def reset(self, facts: Facts, at_s: float, events: list[Event]) -> bool:
        """A completed hold of the reset button: drop every latch whose cause is gone, name the others.

        A trip of another version, whose cause nothing here can judge, goes last: in a hold that leaves no other.
        True when no latch is left.
        """
        if facts.fitted != self._fitted:
            # A hold can be counted in the very tick of the greeting: what was not known to be fitted is not gone.
            self._fit(facts.fitted)
        left = []
        for state, value in zip(self._states, _FACTS(facts), strict=True):
            if not state.latched:
                continue
            gone = value < min(state.limit, state.clear) and not (state.row.proven and value == NEVER)
            if gone or not state.fitted:
                state.latched = state.acting = False
                state.failed_s = 0.0
                state.refused = ""
                self._rows = None
                events.append(Event("trip_reset", at_s, state.row.good, {"interlock": state.row.name}))
            else:
                state.refused = f" The last hold of reset did not help.{UNPROVEN if value == NEVER else STANDS}"
                self._rows = None
                left.append((state.row.name, state.row.text + UNPROVEN if value == NEVER else state.row.text))
        self._busy = True
        if left:
            text = " ".join(said for _, said in left)
            data = {"interlocks": [name for name, _ in left]}
            events.append(Event("reset_refused", at_s, f"Not reset yet. {text} Then hold reset again.", data))
            return False
        for name in self._strange:
            said = "What stood before counts as over." if name == NOT_KNOWN else "A trip of another version was let go."
            events.append(Event("trip_reset", at_s, said, {"interlock": name}))
            self._rows = None
        self._strange = ()
        return True

    def rows(self) -> tuple[RowState, ...]:
        """Every row in words, in the table's order, then trips of another version. Made anew only on a change."""
        if self._rows is None:
            self._rows = (*map(_row_state, self._states), *map(_strange_row, self._strange))
        return self._rows

    def failing(self, zone: str) -> Iterable[RowState]:
        """The rows that keep heat from this zone now, in the table's order."""
        known = len(self._states)
        for state, shown in zip(self._states, self.rows()[:known], strict=True):
            acts = state.acting or state.unknown
            if acts and state.row.action != "alert" and (state.row.zone in (zone, "both") or state.latched):
                yield shown
        yield from self.rows()[known:]


def _row_state(state: _State) -> RowState:
    row = state.row
    if state.acting:
        return RowState(row.name, row.action, row.text, row.advice + state.refused, row.zone)
    if not state.fitted:
        return RowState(row.name, "not fitted", row.good, "", row.zone)
    if state.unknown:
        return RowState(row.name, "alert" if row.action == "alert" else "withhold", f"Not known now: {row.good}",
                        "This needs a fresh reading from the board.", row.zone)  # fmt: skip
    return RowState(row.name, "good", row.good, "", row.zone)


def _strange_row(name: str) -> RowState:
    if name == NOT_KNOWN:
        return RowState(name, "trip", "It is not known what stood before this start.", NOT_KNOWN_ADVICE, "both")
    text = f'A trip of another version stands: "{name.replace("_", " ")}".'
    return RowState(name, "trip", text, STRANGE_ADVICE, "both")


def _event(row: Row, acting: bool, at_s: float) -> Event:
    data = {"interlock": row.name, "zone": row.zone, "advice": row.advice}
    if not acting:
        return Event("interlock_cleared", at_s, row.good, data)
    kind = {"alert": "interlock_alert", "withhold": "interlock_withheld", "trip": "interlock_tripped"}[row.action]
    return Event(kind, at_s, row.text, data)
