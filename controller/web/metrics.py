"""The shop's figures in Prometheus' text format, in base units; what is not known is left out."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from typing import Final

from controller.model import Snapshot

from .status import trip_names

_NAME: Final = re.compile(r"[^a-z0-9_]+")


def metrics(snapshot: Snapshot, age_s: float, figures: Mapping[str, float], *, streams: int) -> str:
    """One gauge a line with its kind. `figures`: the daemon's counters; those in seconds are gauges."""
    lines: list[str] = []
    for name, kind, value in (*_shop(snapshot), *_service(age_s, figures, streams)):
        if value is not None and math.isfinite(value):
            lines += (f"# TYPE ovenhand_{name} {kind}", f"ovenhand_{name} {float(value)!r}")
    return "\n".join(lines) + "\n"


_Line = tuple[str, str, float | None]


def _shop(snapshot: Snapshot) -> Iterator[_Line]:
    oven, tank, board = snapshot.oven, snapshot.tank, snapshot.board
    yield "oven_temperature_celsius", "gauge", oven.temperature_c
    yield "oven_limit_temperature_celsius", "gauge", oven.limit_temperature_c
    yield "part_temperature_celsius", "gauge", oven.part_c
    yield "oven_setpoint_celsius", "gauge", oven.setpoint_c
    yield "oven_asked_duty_ratio", "gauge", oven.asked_duty
    yield "oven_applied_duty_ratio", "gauge", oven.applied_duty
    yield "tank_temperature_celsius", "gauge", tank.temperature_c
    yield "tank_limit_temperature_celsius", "gauge", tank.limit_temperature_c
    yield "tank_setpoint_celsius", "gauge", tank.setpoint_c
    yield "tank_asked_duty_ratio", "gauge", tank.asked_duty
    yield "tank_applied_duty_ratio", "gauge", tank.applied_duty
    yield "board_connected", "gauge", board.connected
    yield "board_armed", "gauge", board.armed
    yield "trips_latched", "gauge", len(trip_names(board.trips))
    yield "heat_permitted", "gauge", snapshot.verdict == "permit"


def _service(age_s: float, figures: Mapping[str, float], streams: int) -> Iterator[_Line]:
    yield "snapshot_age_seconds", "gauge", age_s
    yield "streams", "gauge", streams
    for name, value in figures.items():
        plain = _NAME.sub("_", name.lower())
        if plain.endswith("_s"):
            yield f"{plain[:-2]}_seconds", "gauge", value
        else:
            yield f"{plain}_total", "counter", value
