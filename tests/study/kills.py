"""kill -9 at drawn instants: the service dies, the board lives on, and the next process takes up what was left.

The board's twin and its oven live in this process, behind a pseudo-terminal; the service is the unmodified one, at the
clock's own pace.
"""

from __future__ import annotations

import random
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from controller.model import LoadItem
from controller.records import Book, database_path
from controller.rehearsal import Rehearsal
from controller.sim.shop import Initial, SimShop
from tests.shop.process import ShopProcess

DEAD_MAN_S = 2.05
WATCH_S = 2.6
LATEST_KILL_S = 6.0
BODY = {
    "program": {"name": "kills", "tempers": [{"temperature_c": 95, "soak_min": 300, "band_c": 20}]},
    "load": [{"mass_kg": 0.05, "section_mm": 4}],
}
SHORT = {
    "program": {"name": "short", "tempers": [{"temperature_c": 95, "soak_min": 10, "band_c": 20}]},
    "load": [{"mass_kg": 0.05, "section_mm": 4}],
}


@dataclass(slots=True)
class Tally:
    """What was seen. `off_s`: how long the heater stayed on after each kill that found it on."""

    seed: int
    kills: int = 0
    while_heating: int = 0
    resumed: int = 0
    off_s: list[float] = field(default_factory=list)
    soak_lost_s: list[float] = field(default_factory=list)

    def lines(self) -> list[str]:
        worst_off = f"{max(self.off_s):.2f} s" if self.off_s else "none was on"
        worst_lost = f"{max(self.soak_lost_s):.1f} s" if self.soak_lost_s else "no soak was resumed"
        return [
            f"{self.kills} kills (seed {self.seed}), {self.while_heating} of them while the heater was on; "
            f"off after at most {worst_off}",
            f"{self.resumed} runs taken up again; soak lost by a kill at most {worst_lost}",
        ]


def warm_shop(seed: int) -> SimShop:
    """A shop whose steel is warm already, so that a soak at 95 °C with a wide band begins within seconds."""
    made = SimShop(seed, load=(LoadItem(0.05, 4.0),), initial=Initial(oven_c=110.0))
    while made.oven.core_c < 77.0 and made.now_s < 3600.0:
        made.exchange(b"", 0.25)
    return made


class Driver:
    """Somebody at the phone and at the machine: resumes or starts, again and again, until the service dies."""

    def __init__(self, running: ShopProcess, board: Rehearsal) -> None:
        self.running, self.board = running, board
        self.soak_s = 0.0
        self.resumed = False
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        pressed = False
        while not self._ending.wait(0.05):
            try:
                status = self.running.status()
                oven, board = status["oven"], status["board"]
                self.soak_s = max(self.soak_s, oven["soak_done_s"] or 0.0)
                if board["connected"] and not board["armed"] and not pressed:
                    self.board.press("arm")
                    pressed = True
                elif board["armed"] and oven["resumable_run_id"] is not None and oven["phase"] in ("ready", "withheld"):
                    answer = self.running.post("oven/resume", {"run_id": oven["resumable_run_id"]})
                    self.resumed |= answer.status_code == 202
                elif board["armed"] and oven["phase"] in ("ready", "ended"):
                    self.running.post("oven/start", BODY)
            except (httpx.HTTPError, KeyError, ValueError):
                pressed = False

    def end(self) -> None:
        self._ending.set()
        self._thread.join(10.0)


def kills(count: int, seed: int, directory: Path) -> Tally:
    """Kill the service so often; raises AssertionError, with the seed, where something is lost or stays on."""
    drawn = random.Random(seed)
    tally = Tally(seed)
    board = Rehearsal(warm_shop(seed), 1.0)
    board.start()
    directory.mkdir(parents=True, exist_ok=True)
    book = Book(database_path(directory))
    token, soak_s = "", 0.0
    try:
        for number in range(count):
            running = ShopProcess(directory, 1.0, board.tty_path)
            began = time.monotonic()
            if not token:
                running.until(running.answers)
                running.pair()
                token = str(running.client.headers["Authorization"])
            running.client.headers["Authorization"] = token
            driver = Driver(running, board)
            time.sleep(max(0.0, began + drawn.uniform(0.2, LATEST_KILL_S) - time.monotonic()))
            heating = board.shop.board.oven_on
            running.process.kill()
            killed = time.monotonic()
            running.process.wait(10.0)
            driver.end()
            running.client.close()
            tally.kills += 1
            tally.while_heating += heating
            tally.resumed += driver.resumed
            _watch(board, killed, tally, f"seed {seed}, kill {number}")
            if driver.resumed and driver.soak_s:
                tally.soak_lost_s.append(max(0.0, soak_s - driver.soak_s))
            soak_s = driver.soak_s or soak_s
            _sound(book, f"seed {seed}, kill {number}")
    finally:
        board.stop()
    return tally


def _watch(board: Rehearsal, killed_s: float, tally: Tally, where: str) -> None:
    """Nothing heats once the dead-man's time is over."""
    last_on_s = 0.0
    while (since_s := time.monotonic() - killed_s) < WATCH_S:
        if board.shop.board.oven_on:
            last_on_s = since_s
        time.sleep(0.005)
    # The twin's own pace may lag behind the clock by a step on a busy machine.
    assert last_on_s <= DEAD_MAN_S + 0.25, f"{where}: heat {last_on_s:.2f} s after the kill"
    if last_on_s:
        tally.off_s.append(last_on_s)


def _sound(book: Book, where: str) -> None:
    """The book is whole, and no more than the newest run is open."""
    assert book.verify() == [], where
    open_runs = book.open_runs()
    assert len(open_runs) <= 1, f"{where}: {open_runs}"
    for run in book.runs(limit=1000):
        assert run["ended_at"] or run["id"] in open_runs, where


def finished_and_unfinished(directory: Path, seed: int) -> dict[str, Any]:
    """A run that is over, then one that is killed in its soak: what the next process says of both, and goes on with."""
    board = Rehearsal(warm_shop(seed), 1.0)
    board.start()
    directory.mkdir(parents=True, exist_ok=True)
    running = ShopProcess(directory, 1.0, board.tty_path)
    try:
        running.until(running.answers)
        running.pair()
        token = str(running.client.headers["Authorization"])
        _armed(running, board)
        running.start(SHORT)
        running.until(lambda: running.status()["oven"]["phase"] == "soak", 60.0)
        running.post("oven/stop")
        running.start(SHORT)
        running.until(lambda: (running.status()["oven"]["soak_done_s"] or 0.0) > 13.0, 60.0)
        before = running.status()["oven"]
        running.kill()
        running = ShopProcess(directory, 1.0, board.tty_path)
        running.client.headers["Authorization"] = token
        running.until(running.answers)
        running.until(lambda: bool(running.status()["board"]["connected"]))
        status, runs = running.status(), running.client.get("/api/v1/runs").json()
        _armed(running, board)
        resumed = running.post("oven/resume", {"run_id": status["oven"]["resumable_run_id"]}).status_code
        running.until(lambda: running.status()["oven"]["phase"] == "soak", 30.0)
        return {
            "before": before, "status": status, "runs": runs, "resumed": resumed, "after": running.status()["oven"],
        }  # fmt: skip
    finally:
        running.kill()
        board.stop()


def _armed(running: ShopProcess, board: Rehearsal) -> None:
    running.until(lambda: bool(running.status()["board"]["connected"]))
    board.press("arm")
    running.until(lambda: bool(running.status()["board"]["armed"]))
