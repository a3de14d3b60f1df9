"""The service as a process: memory and CPU against bare FastAPI, streams, stop, SIGTERM."""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import NamedTuple

import httpx
import psutil

from controller.model import LoadItem
from controller.rehearsal import Rehearsal
from controller.sim.shop import SimShop
from tests.shop.process import ROOT, ShopProcess, free_port, shop

BARE = """
import sys, uvicorn
from fastapi import FastAPI
app = FastAPI()
@app.get("/healthz")
def healthz(): return {}
uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[1]), log_level="warning")
"""
STREAMS = 50


class Start(NamedTuple):
    memory_ratio: float
    cpu_ratio: float


class Live(NamedTuple):
    """`record_trouble`: what the service says of its book once the disk takes nothing."""

    worst_lateness_ms: float
    full_disk_lateness_ms: float
    record_trouble: str
    dead_mans: int
    stop_s: float
    gone_s: float


def _started(words: list[str], port: int) -> tuple[float, float]:
    """Resident MB and CPU seconds at the first response."""
    process = subprocess.Popen([sys.executable, *words], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 20.0
        while time.monotonic() < end:
            try:
                if httpx.get(f"http://127.0.0.1:{port}/healthz", timeout=1.0).status_code == 200:
                    break
            except httpx.TransportError:
                time.sleep(0.01)
        seen = psutil.Process(process.pid)
        times = seen.cpu_times()
        return seen.memory_info().rss / 2**20, times.user + times.system
    finally:
        process.terminate()
        process.wait(10.0)


def start_against_bare(directory: Path | None = None) -> Start:
    """Both started five times in turn; medians. The service waits for a board that is not there."""
    import tempfile

    ours, bare = [], []
    with tempfile.TemporaryDirectory() as data:
        for _ in range(5):
            port = free_port()
            bare.append(_started(["-c", BARE, str(port)], port))
            port = free_port()
            words = ["-m", "controller", "serve", "--data", data, "--host", "127.0.0.1", "--port", str(port)]
            ours.append(_started([*words, "--device", f"{data}/no-board"], port))

    def ratio(number: int) -> float:
        return statistics.median(one[number] for one in ours) / statistics.median(one[number] for one in bare)

    return Start(ratio(0), ratio(1))


def live(directory: Path) -> Live:
    """The service on a serial device, at the clock's own pace, with 50 streams: lateness, stop and the end.

    The board behind the pseudo-terminal is the twin in this process, so that the output is watched at the board.
    """
    board = Rehearsal(SimShop(0, load=(LoadItem(0.5, 20.0),)), 1.0)
    board.start()
    twin = board.shop.board
    with shop(directory, device=board.tty_path) as running:
        running.until(lambda: bool(running.status()["board"]["connected"]))
        time.sleep(1.0)
        board.press("arm")
        running.until(lambda: bool(running.status()["board"]["armed"]))
        program = {"name": "bench", "tempers": [{"temperature_c": 205, "soak_min": 60}]}
        body = {"program": program, "load": [{"mass_kg": 0.5, "section_mm": 20}]}
        assert running.post("oven/start", body).status_code == 202
        running.until(lambda: twin.oven_on)
        header = {"Authorization": running.client.headers["Authorization"]}

        def listen() -> None:
            try:
                with httpx.stream("GET", f"{running.url}/api/v1/stream", headers=header, timeout=60.0) as answer:
                    for _ in answer.iter_bytes():
                        pass
            except httpx.HTTPError:
                return

        for _ in range(STREAMS):
            threading.Thread(target=listen, daemon=True).start()
        time.sleep(20.0)
        stops = []
        for _ in range(7):
            began = time.monotonic()
            running.post("stop")
            while twin.oven_on:
                time.sleep(0.002)
            stops.append(time.monotonic() - began)
            time.sleep(1.0)
            running.post("oven/start", body)
            running.until(lambda: twin.oven_on)
            time.sleep(0.3)
        worst = _worst_lateness_s(running)
        sessions = twin._guard.sid
        # From here on no file of the process may grow: every write fails, as on a full disk.
        resource.prlimit(running.process.pid, resource.RLIMIT_FSIZE, (0, 0))
        time.sleep(20.0)
        full = _worst_lateness_s(running)
        trouble = running.status()["record_trouble"] or ""
        assert trouble, "the disk was to be full"
        ended = int(twin._guard.sid != sessions)
        return Live(worst * 1000.0, full * 1000.0, trouble, ended, max(stops), running.terminate())


def _worst_lateness_s(running: ShopProcess) -> float:
    lines = running.client.get("/metrics").text.splitlines()
    return next(float(line.split()[1]) for line in lines if line.startswith("ovenhand_worst_lateness"))
