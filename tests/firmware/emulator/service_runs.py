"""The unmodified service as a process, on a pseudo-terminal, with the release firmware at the other end.

Real time passes here, but nothing is asserted about it: waits end when something has come true, and how long heat
lasted is read from the board's own clock.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.model import LoadItem
from controller.sim.shop import Initial
from tests.firmware.emulator.campaigns import OFF_BY_SILENCE_MS, OFF_BY_WATCHDOG_MS
from tests.firmware.emulator.machine import CYCLES_A_MS, JAM_NONE, JAM_NOW
from tests.firmware.emulator.rig import on_after_ms
from tests.firmware.emulator.shop import PacedShop, firmware_shop
from tests.shop.process import ShopProcess, shop

PROGRAM = {"name": "short", "tempers": [{"temperature_c": 60, "soak_min": 1}]}
LOAD = [{"mass_kg": 0.1, "section_mm": 4}]
STEP_MS = 100
"""Bytes of the host reach the board's line up to a step of the pace late, and need some ms on it."""
PATIENCE_S = 120.0


@contextmanager
def paced(directory: Path, oven_c: float) -> Iterator[PacedShop]:
    """A board with a warm oven behind its chips, its port at `directory / "board"`."""
    found = PacedShop(
        firmware_shop(load=(LoadItem(0.1, 4.0),), initial=Initial(oven_c=oven_c)), directory / "board"
    )
    try:
        yield found
    finally:
        found.close()


@contextmanager
def service(directory: Path, board: PacedShop) -> Iterator[ShopProcess]:
    with shop(directory / "data", device=str(board.device)) as running:
        running.until(lambda: bool(running.status()["board"]["connected"]), PATIENCE_S)
        yield running


def arm(running: ShopProcess, board: PacedShop) -> None:
    board.do(lambda: board.shop.press("arm"))
    running.until(lambda: bool(running.status()["board"]["armed"]), PATIENCE_S)


def start(running: ShopProcess, board: PacedShop) -> int:
    """A run begins and heats; its number."""
    answer = running.post("oven/start", {"program": PROGRAM, "load": LOAD})
    assert answer.status_code == 202, answer.text
    arm(running, board)
    running.until(lambda: board.board.oven_on, PATIENCE_S)
    return int(answer.json()["run_id"])


def phase(running: ShopProcess) -> str:
    return str(running.status()["oven"]["phase"])


def off_since(running: ShopProcess, board: PacedShop, cycle: int, ms: float) -> None:
    """Heat ended within `ms` of the board's time after that cycle, and stays off for 3 s more."""
    running.until(lambda: board.board.cycle > cycle + (ms + 3_000) * CYCLES_A_MS, PATIENCE_S)
    lasted_ms = board.do(lambda: on_after_ms(board.board, cycle))
    assert lasted_ms <= ms, lasted_ms


def cable_and_kill(directory: Path) -> None:
    """Heat; the cable pulled and put back, the run goes on; the service killed: heat ends each time."""
    with paced(directory, 30.0) as board:
        with service(directory, board) as running:
            start(running, board)
            cycle = board.do(lambda: (board.pull(), board.board.cycle)[1])
            off_since(running, board, cycle, OFF_BY_SILENCE_MS + STEP_MS)
            running.until(lambda: not running.status()["board"]["connected"], PATIENCE_S)
            assert running.status()["oven"]["temperature_c"] is None
            board.do(board.plug_in)
            running.until(lambda: bool(running.status()["board"]["connected"]), PATIENCE_S)
            running.until(lambda: board.board.oven_on, PATIENCE_S)
            running.kill()
            cycle = board.do(lambda: board.board.cycle)
            silent_ms = OFF_BY_SILENCE_MS + STEP_MS
            while board.board.cycle < cycle + (silent_ms + 3_000) * CYCLES_A_MS:
                board.do(lambda: None)
            assert board.do(lambda: on_after_ms(board.board, cycle)) <= silent_ms
        assert len(board.board.resets) == 1
        assert board.board.trips == 0


def whole_temper(directory: Path) -> float:
    """A whole run, from the first press to its end; the emulated seconds it took."""
    with paced(directory, 56.0) as board, service(directory, board) as running:
        run_id = start(running, board)
        began = board.board.cycle
        running.until(lambda: phase(running) == "ended", 900.0)
        record = running.client.get(f"/api/v1/runs/{run_id}").json()
        assert record["outcome"] == "ended", record
        running.until(lambda: not board.board.contactor, PATIENCE_S)
        assert board.board.trips == 0
        return (board.board.cycle - began) / CYCLES_A_MS / 1000


def jammed(directory: Path) -> None:
    """The board's program stands still in mid-run; the watchdog ends heat; the run goes on only by arm and resume."""
    with paced(directory, 30.0) as board, service(directory, board) as running:
        run_id = start(running, board)
        machine = board.board.machine

        def jam() -> int:
            machine.jam(JAM_NOW, machine.program_counter())
            return board.board.cycle

        cycle = board.do(jam)
        off_since(running, board, cycle, OFF_BY_WATCHDOG_MS)
        board.do(lambda: machine.jam(JAM_NONE))
        running.until(lambda: phase(running) == "withheld", PATIENCE_S)
        running.until(lambda: bool(running.status()["board"]["connected"]), PATIENCE_S)
        goes_on_by_hand(running, board, run_id)


def goes_on_by_hand(running: ShopProcess, board: PacedShop, run_id: int) -> None:
    """Nothing heats until resume and arm; then it does."""
    cycle = board.do(lambda: board.board.cycle)
    running.until(lambda: board.board.cycle > cycle + 3_000 * CYCLES_A_MS, PATIENCE_S)
    assert board.do(lambda: on_after_ms(board.board, cycle)) == 0.0
    assert running.status()["oven"]["resumable_run_id"] == run_id
    assert running.post("oven/resume", {"run_id": run_id}).status_code == 202
    arm(running, board)
    running.until(lambda: board.board.oven_on, PATIENCE_S)


def power_cut(directory: Path) -> None:
    """The power of board and host goes in mid-soak. Both come back; the run ends after arm and resume."""
    with paced(directory, 57.0) as board:
        with service(directory, board) as running:
            run_id = start(running, board)
            running.until(lambda: phase(running) == "soak", 600.0)
            board.do(board.board.power_cut)
            running.kill()
        assert not board.board.heating
        board.do(board.board.power_on)
        with service(directory, board) as running:
            assert phase(running) == "ready"
            goes_on_by_hand(running, board, run_id)
            running.until(lambda: phase(running) == "ended", 900.0)
            assert running.client.get(f"/api/v1/runs/{run_id}").json()["outcome"] == "ended"


RUNS = {
    "the cable pulled and put back, the service killed": cable_and_kill,
    "a whole temper": whole_temper,
    "the board jammed, resumed by hand": jammed,
    "a power cut in mid-soak, resumed by hand": power_cut,
}
