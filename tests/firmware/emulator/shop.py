"""The simulated shop with the emulated board in the twin's place, in lock-step or behind a paced pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import pty
import threading
import time
import tty
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any, Final, TypeVar

from controller.sim.shop import FULL_KIT, SimShop
from tests.firmware.emulator.board import EmulatedBoard

PACE_S: Final = 0.02
LONGEST_STEP_S: Final = 0.1
"""What the board's clock moves at most at a time: when this machine stalls, the board stands still with it."""
T = TypeVar("T")


def firmware_shop(*, chip: int = 31855, fitted: int = FULL_KIT, eeprom: bytes | None = None, **shop: Any) -> SimShop:
    """A `SimShop` whose board is the release firmware; `eeprom` as `EmulatedBoard` has it."""
    found = SimShop(chip=chip, fitted=fitted, **shop)
    found.board = EmulatedBoard(chip=chip, fitted=fitted, eeprom=eeprom)  # type: ignore[assignment]
    return found


class PacedShop:
    """The shop on a pseudo-terminal with a fixed name, at the clock's own pace, never faster.

    Only its own thread touches the shop; `do` runs something there and waits for it.
    """

    def __init__(self, shop: SimShop, device: Path) -> None:
        self.shop = shop
        self.board: EmulatedBoard = shop.board  # type: ignore[assignment]
        self.device = device
        self._master = -1
        self._tasks: list[tuple[Callable[[], Any], Future[Any]]] = []
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self.to_host = self.from_host = 0
        self.plug_in()
        self._thread = threading.Thread(target=self._run, name="paced board")
        self._thread.start()

    def plug_in(self) -> None:
        """A new port under the old name."""
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self.device.unlink(missing_ok=True)
        self.device.symlink_to(os.ttyname(slave))
        os.close(slave)

    def pull(self) -> None:
        """The plug is out: the port is gone for the host."""
        os.close(self._master)
        self._master = -1
        self.device.unlink()

    def do(self, what: Callable[[], T]) -> T:
        """Run it between two steps of the shop; what it returns or raises."""
        future: Future[T] = Future()
        with self._lock:
            self._tasks.append((what, future))
        return future.result(60.0)

    def close(self) -> None:
        self._stopping.set()
        self._thread.join(10.0)
        if self._master >= 0:
            os.close(self._master)
        self.device.unlink(missing_ok=True)
        self.board.close()

    def _run(self) -> None:
        moved_s = time.monotonic()
        while not self._stopping.is_set():
            with self._lock:
                tasks, self._tasks = self._tasks, []
            for what, future in tasks:
                try:
                    future.set_result(what())
                except Exception as error:  # it belongs to who asked
                    future.set_exception(error)
            now_s = time.monotonic()
            passed_s, moved_s = min(now_s - moved_s, LONGEST_STEP_S), now_s
            self._write(self.shop.exchange(self._read(), passed_s))
            self._stopping.wait(PACE_S)

    def _read(self) -> bytes:
        if self._master < 0:
            return b""
        try:
            data = os.read(self._master, 4096)
        except OSError:  # nothing there, or nobody has the port open
            return b""
        self.from_host += len(data)
        return data

    def _write(self, data: bytes) -> None:
        if data and self._master >= 0:
            with contextlib.suppress(OSError):  # nobody reads: a real line loses it as well
                self.to_host += os.write(self._master, data)
