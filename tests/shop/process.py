"""The unmodified service as a process on a simulated shop, and a client for it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import httpx

ROOT = Path(__file__).parents[2]
EMPTY: Final[Mapping[str, str]] = MappingProxyType({})


def free_port() -> int:
    """A port of the loopback that nobody uses now."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


class ShopProcess:
    """A running rehearsal. `client` is paired."""

    def __init__(
        self, directory: Path, speed: float, device: str | None = None, environment: Mapping[str, str] = EMPTY,
        log: Path | None = None,
    ) -> None:  # fmt: skip
        self.directory = directory
        self.log = log or directory / "log"
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        words = ["serve", "--data", str(directory), "--host", "127.0.0.1"]
        words += ["--device", device] if device else ["--rehearsal", "--speed", str(speed)]
        with self.log.open("a") as errors:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "controller", *words, "--port", str(self.port)],
                cwd=ROOT, stdout=subprocess.DEVNULL, stderr=errors, env={**os.environ, **environment},
            )  # fmt: skip
        self.client = httpx.Client(base_url=self.url, timeout=10.0)

    def until(self, what: Callable[[], bool], seconds: float = 30.0) -> None:
        """Wait for the process to make something true; the process's pace is its own."""
        end = time.monotonic() + seconds
        while not what():
            if time.monotonic() > end or self.process.poll() is not None:
                raise AssertionError(f"not within {seconds} s; log:\n{self.log.read_text()}")
            time.sleep(0.02)

    def answers(self) -> bool:
        try:
            return self.client.get("/healthz").status_code == 200
        except httpx.TransportError:
            return False

    def code(self, role: str = "operator") -> str:
        """A pairing code from the machine."""
        words = ["pair", "--data", str(self.directory), "--role", role]
        told = subprocess.run(
            [sys.executable, "-m", "controller", *words], cwd=ROOT, capture_output=True, text=True, check=True
        )
        return told.stdout.splitlines()[0]

    def pair(self) -> None:
        answer = self.client.post("/api/v1/pair", json={"code": self.code()}, headers={"Origin": self.url})
        assert answer.status_code == 200, answer.text
        self.client.headers["Authorization"] = f"Bearer {answer.json()['token']}"
        self.client.cookies.clear()

    def status(self) -> dict[str, Any]:
        found: dict[str, Any] = self.client.get("/api/v1/status").json()
        return found

    def post(self, path: str, body: dict[str, Any] | None = None) -> httpx.Response:
        return self.client.post(f"/api/v1/{path}", json=body or {})

    def press(self, button: str) -> None:
        assert self.post("rehearsal", {"press": button}).status_code < 300

    def arm(self) -> None:
        self.until(lambda: bool(self.status()["board"]["connected"]))
        self.press("arm")
        self.until(lambda: bool(self.status()["board"]["armed"]))

    def start(self, body: dict[str, Any], seconds: float = 30.0) -> int:
        """Ask for a start until it is taken; answers the run's number. On a busy machine a frame may be late, and
        a start in that second is refused."""
        end = time.monotonic() + seconds
        while (answer := self.post("oven/start", body)).status_code != 202:
            assert time.monotonic() < end, answer.text
            time.sleep(0.2)
        return int(answer.json()["run_id"])

    def terminate(self) -> float:
        """SIGTERM; how long until it is gone, s."""
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(10.0)
        return time.monotonic() - began

    def kill(self) -> None:
        if self.process.poll() is None:
            os.kill(self.process.pid, signal.SIGKILL)
            self.process.wait(10.0)
        self.client.close()


@contextmanager
def shop(
    directory: Path, speed: float = 20.0, device: str | None = None, environment: Mapping[str, str] = EMPTY
) -> Iterator[ShopProcess]:
    """A paired, running rehearsal; or, with a device, the service on whatever board speaks there. `environment`: what
    is added to this process's own."""
    directory.mkdir(parents=True, exist_ok=True)
    running = ShopProcess(directory, speed, device, environment)
    try:
        running.until(running.answers)
        running.pair()
        yield running
    finally:
        running.kill()
