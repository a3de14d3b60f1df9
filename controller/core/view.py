"""The snapshot: all that anyone may know of the shop after this tick. Unknown is None."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller.core.interlocks import NAMES, PERMIT
from controller.core.oven import ARM_WAIT_S
from controller.core.program import ACTIVE
from controller.model import BoardView, OvenView, Snapshot, TankView

if TYPE_CHECKING:
    from controller.core.tick import Core


def _known(value: float) -> float | None:
    return value if value == value else None


def snapshot(core: Core) -> Snapshot:
    """Build it from the core; nothing here changes anything."""
    verdict, oven, tank = core.moment.verdict, core.oven, core.tank
    overall = PERMIT
    if verdict.oven == 2:
        overall = verdict.oven
    else:
        if oven.active or oven.phase == "waiting_for_arm":
            overall = verdict.oven
        if tank.target_c is not None:
            overall = max(overall, verdict.tank)
    return Snapshot(
        core.moment.now_s,
        _board(core),
        NAMES[overall],
        core.interlocks.rows(),
        core.prompt(),
        tank.presence_left_s,
        _oven(core),
        _tank(core),
        core.interlocks.fire(),
    )


def _board(core: Core) -> BoardView:
    frame, reading, board = core.sensing.frame, core.reading, core.board
    fresh = not core.silent and frame is not None
    return BoardView(
        fresh and reading.board is not None,
        core.moment.armed,
        frame.arm_left_s if fresh and frame and core.moment.armed else None,
        frame.trips if frame else 0,
        board.firmware if board else None,
        board.fitted if board else 0,
        reading.incompatible,
        reading.port_text,
        _known(core.facts.board_silent_s),
        frame.arms if frame else 0,
        core.refused.what if fresh else None,
    )


def _oven(core: Core) -> OvenView:
    oven, facts = core.oven, core.facts
    run = oven.run
    shown = run is not None and (oven.phase in ACTIVE or oven.phase in ("ended", "waiting_for_arm", "tripped"))
    if run is None or not shown:
        program = run_id = band_c = target_c = done_s = total_s = equivalent_s = None
        index = count = 0
        lost_s = 0.0
    else:
        temper, done = run.temper, run.now
        program, run_id = run.program.name, run.run_id
        target_c, band_c = temper.temperature_c, temper.band_c
        done_s, total_s, equivalent_s = done.soak_done_s, temper.soak_s, done.trace.equivalent_s
        index, count, lost_s = run.index, len(run.program.tempers), run.lost_s
    waiting = oven.phase == "waiting_for_arm"
    return OvenView(
        _known(facts.oven_c),
        _known(facts.oven_limit_c),
        oven.part_c if not core.silent else None,
        oven.part_error_c if not core.silent else None,
        oven.part_measured,
        oven.setpoint_c,
        oven.air_target_c,
        core.command.oven_duty,
        core.oven_applied if not core.silent else None,
        NAMES[core.moment.verdict.oven],
        oven.phase,
        program,
        run_id,
        index,
        count,
        band_c,
        done_s,
        total_s,
        equivalent_s,
        oven.soak_in_s,
        oven.ends_in_s,
        lost_s,
        ARM_WAIT_S - oven.waiting_s if waiting else None,
        oven.resumable_run_id,
        target_c,
        core.limits.oven_limit_c if core.limits.oven else None,
    )


def _tank(core: Core) -> TankView:
    tank, facts, limits = core.tank, core.facts, core.limits
    oil = limits.oil
    return TankView(
        _known(facts.tank_c),
        _known(facts.tank_limit_c),
        tank.target_c,
        core.command.tank_duty,
        core.tank_applied if not core.silent else None,
        NAMES[core.moment.verdict.tank],
        tank.phase,
        tank.ready,
        tank.ready_expected_s,
        limits.oil_ceiling_c,
        limits.tank_limit_c,
        oil.flash_low_c if oil else None,
        (oil.label or oil.name) if oil else None,
        tank.quenches.takes_kg,
        tank.quenches.next_in_s,
        tank.quenches.untempered_s,
        tank.gentle,
    )
