"""Snapshots of every state that the page has to show, for the tests of the words and of the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from controller.core.table import TABLE
from controller.model import BoardView, OvenView, Prompt, RowState, Snapshot, TankView

BOARD: Final = BoardView(True, True, 840, 0, 1, 1055, None, "", 0.1, 3)
OVEN: Final = OvenView(
    21.4, 21.6, 20.9, 2.5, True, None, None, 0.0, 0.0, "permit", "ready", None, None, 0, 0, None, None, None, None,
    None, None, 0.0, None, None,
)  # fmt: skip
TANK: Final = TankView(21.0, 21.2, None, 0.0, 0.0, "permit", "off", False, None, 75.0, 90.0, 180.0, "Demo quench oil")
GOOD_ROWS: Final = tuple(
    RowState(row.name, "good" if row.name != "smoke" else "not fitted", row.good, "", row.zone) for row in TABLE
)


def rows(**acting: str) -> tuple[RowState, ...]:
    """All rows, those named in another state, e.g. `rows(door="withhold")`."""
    found = []
    for row, good in zip(TABLE, GOOD_ROWS, strict=True):
        state: Any = acting.get(row.name)
        found.append(good if state is None else RowState(row.name, state, row.text, row.advice, row.zone))
    return tuple(found)


def snap(
    board: Mapping[str, Any] | None = None,
    oven: Mapping[str, Any] | None = None,
    tank: Mapping[str, Any] | None = None,
    **rest: Any,
) -> Snapshot:
    """An idle, armed and sound shop with these changes."""
    base = Snapshot(1000.0, BOARD, "permit", GOOD_ROWS, None, None, OVEN, TANK, False)
    return base._replace(
        board=BOARD._replace(**(board or {})),
        oven=OVEN._replace(**(oven or {})),
        tank=TANK._replace(**(tank or {})),
        **rest,
    )


def run(phase: str, **more: Any) -> dict[str, Any]:
    """An oven view in a run of the drift at 205 °C."""
    return {
        "phase": phase, "program": "drift", "run_id": 7, "temper_count": 1, "target_c": 205.0, "setpoint_c": 205.0,
        "air_target_c": 211.0, "band_c": 5.0, "temperature_c": 210.2, "limit_temperature_c": 209.0, "part_c": 204.6,
        "soak_done_s": 0.0, "soak_total_s": 3600.0, "equivalent_s": 0.0, "asked_duty": 0.31, "applied_duty": 0.3,
        **more,
    }  # fmt: skip


SOAK: Final = run("soak", soak_done_s=1380.0, equivalent_s=1330.0, ends_in_s=2220.0)
OIL_READY: Final[dict[str, Any]] = {
    "temperature_c": 55.1, "limit_temperature_c": 55.4, "setpoint_c": 55.0, "phase": "in_band", "ready": True,
    "ready_expected_s": 0.0, "asked_duty": 0.1, "applied_duty": 0.1,
}  # fmt: skip
OIL_WARMING: Final = {**OIL_READY, "temperature_c": 38.0, "phase": "preheat", "ready": False, "ready_expected_s": 900.0}

STATES: Final[Mapping[str, Callable[[], Snapshot]]] = {
    "nothing_on": lambda: snap(board={"armed": False, "arm_left_s": None}),
    "nothing_on_armed": snap,
    "nothing_on_hot": lambda: snap(oven={"temperature_c": 148.0}),
    "no_board": lambda: snap(
        board={
            "connected": False, "armed": False, "arm_left_s": None, "firmware": None, "fitted": 0, "data_age_s": None,
            "port_text": "No serial port was found. Plug in the board.",
        },
        oven={"temperature_c": None, "limit_temperature_c": None, "part_c": None, "part_error_c": None},
        tank={"temperature_c": None, "limit_temperature_c": None},
        rows=rows(board_silent="withhold"),
    ),
    "board_silent": lambda: snap(
        board={"connected": False, "armed": False, "arm_left_s": None, "data_age_s": 6.2},
        oven={**SOAK, "phase": "withheld"}, verdict="withhold", rows=rows(board_silent="withhold"),
    ),
    "incompatible": lambda: snap(board={"incompatible": "layout"}, rows=rows(board_protocol="withhold")),
    "waiting_for_arm": lambda: snap(
        board={"armed": False, "arm_left_s": None}, oven=run("waiting_for_arm", wait_left_s=240.0, part_c=21.0)
    ),
    "heat_up": lambda: snap(oven=run("heat_up", part_c=122.4, soak_in_s=900.0, ends_in_s=4500.0)),
    "soak": lambda: snap(oven=SOAK),
    "soak_second": lambda: snap(
        oven={**SOAK, "program": "double temper", "temper_index": 0, "temper_count": 2, "ends_in_s": 12000.0}
    ),
    "cool": lambda: snap(
        oven=run("cool", part_c=120.0, temper_count=2, setpoint_c=None, air_target_c=None, ends_in_s=9000.0)
    ),
    "prompt": lambda: snap(
        oven=run("prompt", temper_index=1, temper_count=2, part_c=42.0),
        prompt=Prompt("7-2", "Rinse the part and put it back."),
    ),
    "prompt_long": lambda: snap(
        oven=run("prompt", temper_index=1, temper_count=2, part_c=42.0),
        prompt=Prompt("7-2", "Take the part out, look at its colour, rinse it in warm water, dry it and put it back."),
    ),
    "prompt_door": lambda: snap(
        oven={**SOAK, "phase": "withheld"}, verdict="withhold", rows=rows(oven_falling_asked="withhold"),
        prompt=Prompt("door", "The oven is cooling while it heats. Is the door open?"),
    ),
    "withheld_door": lambda: snap(
        oven={**SOAK, "phase": "withheld", "verdict": "withhold", "lost_s": 242.0}, verdict="withhold",
        rows=rows(door="withhold"),
    ),
    "paused": lambda: snap(
        board={"armed": False, "arm_left_s": None},
        oven={**SOAK, "phase": "withheld", "verdict": "withhold", "lost_s": 700.0, "resumable_run_id": 7},
        verdict="withhold", rows=rows(run_paused="withhold"),
    ),
    "resumable": lambda: snap(oven={"resumable_run_id": 7}),
    "trip_oven": lambda: snap(
        board={"armed": False, "arm_left_s": None, "trips": 512}, verdict="trip",
        oven=run("tripped", temperature_c=301.5, verdict="trip", setpoint_c=None, air_target_c=None, asked_duty=0.0),
        tank={"phase": "tripped", "verdict": "trip"}, rows=rows(oven_limit="trip", board_trip="trip"),
    ),
    "trip_board": lambda: snap(
        board={"armed": False, "arm_left_s": None, "trips": 16}, verdict="trip",
        oven={"phase": "tripped", "verdict": "trip"}, rows=rows(board_trip="trip"),
    ),
    "ended": lambda: snap(oven=run("ended", soak_done_s=3600.0, part_c=203.0, setpoint_c=None, air_target_c=None)),
    "oil_scheduled": lambda: snap(
        tank={**OIL_WARMING, "phase": "scheduled", "ready_expected_s": 7200.0, "asked_duty": 0.0}
    ),
    "oil_waiting": lambda: snap(board={"armed": False}, tank={**OIL_WARMING, "phase": "waiting_for_arm"}),
    "oil_preheat": lambda: snap(tank=OIL_WARMING, presence_left_s=1320.0),
    "oil_ready": lambda: snap(tank=OIL_READY, presence_left_s=1320.0),
    "oil_presence_soon": lambda: snap(tank=OIL_READY, presence_left_s=240.0),
    "oil_too_hot": lambda: snap(
        tank={**OIL_READY, "temperature_c": 91.0, "phase": "too_hot", "ready": False}, presence_left_s=1320.0,
        verdict="withhold", rows=rows(tank_limit="withhold"),
    ),
    "oil_withheld": lambda: snap(
        tank={**OIL_WARMING, "phase": "withheld", "verdict": "withhold"}, presence_left_s=0.0, verdict="withhold",
        rows=rows(presence="withhold"),
    ),
    "both": lambda: snap(oven=SOAK, tank=OIL_READY, presence_left_s=1320.0),
    "part_lost": lambda: snap(oven={**SOAK, "part_measured": False, "part_error_c": 10.0},
                              rows=rows(part_sensor="alert")),
    "fire": lambda: snap(
        board={"armed": False, "arm_left_s": None, "trips": 514}, verdict="trip", fire=True,
        tank={**OIL_READY, "temperature_c": 131.0, "phase": "tripped", "verdict": "trip"},
        rows=rows(oil_trip="trip", board_trip="trip"),
    ),
}  # fmt: skip
