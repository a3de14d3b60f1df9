"""The status as clients get it, by the names of the outside contract. What is not known is null."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal

from controller.model import (
    TRIP_BITS,
    BoardView,
    Desk,
    OvenView,
    RehearsalControls,
    RowState,
    Snapshot,
    Start,
    TankView,
)
from controller.words import NO_DATA_AFTER_S, sentence

from .bodies import rfc3339

Mode = Literal["shop", "rehearsal"]
_IN: Final = re.compile(r"\{in:(-?\d+(?:\.\d+)?)\}")


@dataclass(frozen=True, slots=True)
class Teller:
    """Makes the status of one service. `wall`: seconds since 1970. `record_trouble`: why the book takes nothing."""

    desk: Desk
    mode: Mode
    units: Literal["C", "F"]
    wall: Callable[[], float]
    rehearsal: RehearsalControls | None
    record_trouble: Callable[[], str | None] = lambda: None

    def speed(self) -> float:
        """How much faster than the clock the shop's time goes; 1 but in a rehearsal."""
        return 1.0 if self.rehearsal is None else max(1.0, self.rehearsal.speed())

    def now(self) -> datetime:
        return datetime.fromtimestamp(self.wall(), UTC)

    def status(self) -> dict[str, Any]:
        snapshot, age_s = self.desk.snapshot()
        return status(
            snapshot, age_s, mode=self.mode, units=self.units, now=self.now(), speed=self.speed(),
            record_trouble=self.record_trouble(),
        )  # fmt: skip

    def forecast(self, wish: Start) -> dict[str, Any]:
        """When a start would begin to soak, and be done, by the wall; null with the reason where that is not known."""
        told: dict[str, Any] = dict.fromkeys(_FORECAST)
        found = self.desk.forecast(wish.program, wish.load)
        if found is None:
            return told | {"reason": "For this program, load and oven there is no forecast yet."}
        now, speed = self.now(), self.speed()
        if found.too_long:
            told["reason"] = f"It would take about {found.ends_in_s / 3600.0:.0f} h; the longest is 11 h."
        return told | {
            "soak_begins_at": rfc3339(now + timedelta(seconds=found.soak_in_s / speed)),
            "soak_begins_error_s": _known(found.soak_error_s / speed, 0),
            "ends_at": rfc3339(now + timedelta(seconds=found.ends_in_s / speed)),
            "ends_error_s": _known(found.ends_error_s / speed, 0),
            "too_long": found.too_long,
        }


def status(
    snapshot: Snapshot,
    age_s: float,
    *,
    mode: Mode,
    units: Literal["C", "F"],
    now: datetime,
    speed: float = 1.0,
    record_trouble: str | None = None,
) -> dict[str, Any]:
    """JSON values of a snapshot that was made `age_s` seconds ago.

    Durations are the shop's; `ends_at` and the clock times in the sentences are the wall's, so that they come true
    in a rehearsal that runs `speed` times faster, too.
    """
    said = {unit: sentence(snapshot, units=unit, data_age_s=age_s) for unit in _UNITS}
    return {
        "mode": mode,
        "now": rfc3339(now),
        "units": units,
        "speed": speed,
        "data_age_s": _known(age_s, 3),
        "board": _board(snapshot.board, fresh=age_s <= NO_DATA_AFTER_S),
        "verdict": snapshot.verdict,
        "interlocks": [_row(row) for row in snapshot.rows],
        "prompt": None if snapshot.prompt is None else {"id": snapshot.prompt.id, "text": snapshot.prompt.text},
        "presence_expires_s": _known(snapshot.presence_left_s, 1),
        "oven": _oven(snapshot.oven, now - timedelta(seconds=age_s), speed),
        "tank": _tank(snapshot.tank),
        "fire": snapshot.fire,
        "record_trouble": record_trouble,
        "sentence_c": _sentence(said["C"], speed),
        "sentence_f": _sentence(said["F"], speed),
    }


_FORECAST: Final = ("soak_begins_at", "soak_begins_error_s", "ends_at", "ends_error_s", "too_long", "reason")
_UNITS: Final[tuple[Literal["C", "F"], ...]] = ("C", "F")


def change_key(snapshot: Snapshot) -> tuple[object, ...]:
    """What a person must see at once when it changes: phases, verdicts, the question, arming, trips."""
    oven, tank, board = snapshot.oven, snapshot.tank, snapshot.board
    return (
        (oven.phase, oven.verdict, oven.run_id, oven.resumable_run_id, tank.phase, tank.verdict, tank.ready),
        (snapshot.verdict, snapshot.prompt, snapshot.fire),
        (board.connected, board.armed, board.trips),
    )


def trip_names(bits: int) -> list[str]:
    """The names of the board's latched trips."""
    return [name for bit, name in TRIP_BITS.items() if bits & bit]


def _known(value: float | None, digits: int) -> float | None:
    """Rounded beyond what any sensor here can tell; None for what is no number."""
    return round(value, digits) if value is not None and math.isfinite(value) else None


def _board(board: BoardView, *, fresh: bool) -> dict[str, Any]:
    return {
        "connected": board.connected and fresh,
        "armed": board.armed,
        "arm_expires_s": board.arm_left_s if board.armed else None,
        "trips": trip_names(board.trips),
        "firmware": board.firmware,
        "fitted": board.fitted,
        "incompatible": board.incompatible,
        "port_text": board.port_text,
        "data_age_s": _known(board.data_age_s, 3),
        "presses": board.presses,
        "refuses": board.refuses,
    }


def _row(row: RowState) -> dict[str, Any]:
    """An alert takes no heat away: the contract's state stays "good", and `alert` says that there is one."""
    return {
        "name": row.name,
        "state": "good" if row.state == "alert" else row.state,
        "alert": row.state == "alert",
        "text": row.text,
        "advice": row.advice,
        "zone": row.zone,
    }


def _oven(oven: OvenView, made_at: datetime, speed: float) -> dict[str, Any]:
    ends_in_s = _known(oven.ends_in_s, 3)
    return {
        "verdict": oven.verdict,
        "temperature_c": _known(oven.temperature_c, 2),
        "limit_temperature_c": _known(oven.limit_temperature_c, 2),
        "part_c": _known(oven.part_c, 2),
        "part_error_c": _known(oven.part_error_c, 2),
        "part_measured": oven.part_measured,
        "setpoint_c": _known(oven.setpoint_c, 2),
        "air_target_c": _known(oven.air_target_c, 2),
        "asked_duty": _known(oven.asked_duty, 4),
        "applied_duty": _known(oven.applied_duty, 4),
        "phase": oven.phase,
        "program": oven.program,
        "run_id": oven.run_id,
        "soak_done_s": _known(oven.soak_done_s, 1),
        "soak_total_s": _known(oven.soak_total_s, 1),
        "equivalent_s": _known(oven.equivalent_s, 1),
        "ends_at": None if ends_in_s is None else rfc3339(made_at + timedelta(seconds=ends_in_s / speed)),
        "resumable_run_id": oven.resumable_run_id,
        "temper_index": oven.temper_index,
        "temper_count": oven.temper_count,
        "band_c": _known(oven.band_c, 2),
        "lost_s": _known(oven.lost_s, 1),
        "soak_in_s": _known(oven.soak_in_s, 1),
        "ends_in_s": ends_in_s,
        "target_c": _known(oven.target_c, 2),
        "wait_left_s": _known(oven.wait_left_s, 1),
    }


def _tank(tank: TankView) -> dict[str, Any]:
    return {
        "verdict": tank.verdict,
        "temperature_c": _known(tank.temperature_c, 2),
        "limit_temperature_c": _known(tank.limit_temperature_c, 2),
        "setpoint_c": _known(tank.setpoint_c, 2),
        "asked_duty": _known(tank.asked_duty, 4),
        "applied_duty": _known(tank.applied_duty, 4),
        "phase": tank.phase,
        "ready": tank.ready,
        "ready_expected_s": _known(tank.ready_expected_s, 1),
        "ceiling_c": _known(tank.ceiling_c, 2),
        "limit_c": _known(tank.limit_c, 2),
        "flash_point_c": _known(tank.flash_point_c, 2),
        "oil": tank.oil,
        "takes_kg": _known(tank.takes_kg, 3),
        "next_quench_in_s": _known(tank.next_quench_in_s, 0),
        "untempered_s": _known(tank.untempered_s, 0),
        "gentle": bool(tank.gentle),
    }


def _sentence(said: tuple[str, str], speed: float) -> Mapping[str, str]:
    def on_the_wall(match: re.Match[str]) -> str:
        return f"{{in:{float(match[1]) / speed:.0f}}}"

    text, advice = (_IN.sub(on_the_wall, part) if speed != 1.0 else part for part in said)
    return {"text": text, "advice": advice}
