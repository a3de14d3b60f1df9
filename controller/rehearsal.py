"""The simulated shop behind a real pseudo-terminal, with its pace, its buttons and its faults.

The shop's clock is the simulation's own time: when this machine stalls, the shop stands still with it, so
that a slow machine makes a slow rehearsal and not a false alarm.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable, Mapping, Sequence
from typing import Final, Literal

from controller.model import LoadItem
from controller.sim.shop import SimShop

STEP_S: Final = 0.25
# How long the shop waits for the host's answer to a frame beyond its pace, before time goes on without.
PATIENCE_S: Final = 0.1
SPEEDS: Final = (1.0, 20.0)


class Rehearsal:
    """RehearsalControls for the web, and the thread that moves the shop. `tty_path`: what to open as the port."""

    def __init__(self, shop: SimShop, speed: float = 1.0) -> None:
        self.shop = shop
        self._speed = speed
        self._tasks: list[Callable[[], None]] = []
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.tty_path = os.ttyname(self._slave)
        self._now_s = 0.0
        self._moved_s = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="shop", daemon=True)

    def now_s(self) -> float:
        """The shop's monotonic time, s."""
        return self._now_s

    def start(self) -> None:
        """Let time pass."""
        self._thread.start()

    def stop(self) -> None:
        """The shop stands still for good."""
        self._stopping.set()

    def press(self, button: Literal["arm", "reset"]) -> None:
        self._later(lambda: self.shop.press(button))

    def fault(self, name: str, on: bool) -> None:
        """Raises ValueError, naming the known ones, for a fault that does not exist."""
        if name not in self.shop.faults():
            raise ValueError(f"There is no fault {name!r}. Known: {', '.join(self.shop.fault_names())}.")
        self._later(lambda: self.shop.fault(name, on))

    def faults(self) -> Mapping[str, bool]:
        return self.shop.faults()

    def set_speed(self, speed: float) -> None:
        """Raises ValueError outside 1..20."""
        if not SPEEDS[0] <= speed <= SPEEDS[1]:
            raise ValueError("The speed lies between 1 and 20.")
        self._speed = speed

    def speed(self) -> float:
        return self._speed

    def set_load(self, items: Sequence[LoadItem]) -> None:
        """Put this load into the simulated oven."""
        self._later(lambda: self.shop.set_load(tuple(items)))

    def _later(self, task: Callable[[], None]) -> None:
        with self._lock:
            self._tasks.append(task)

    def _run(self) -> None:
        due_s = time.monotonic()
        back = b""
        while not self._stopping.is_set():
            with self._lock:
                tasks, self._tasks = self._tasks, []
            for task in tasks:
                task()
            sent = self.shop.exchange(back, STEP_S)
            self._now_s += STEP_S
            self._write(sent)
            now_s = time.monotonic()
            due_s = max(due_s + STEP_S / self._speed, now_s - STEP_S)
            back = self._answer(due_s)

    def _write(self, data: bytes) -> None:
        try:
            os.write(self._master, data)
        except BlockingIOError:
            # Nobody reads: a real line would lose the frames as well.
            return

    def _answer(self, due_s: float) -> bytes:
        """What the host sends until the pace says that time goes on; it is waited for a little longer."""
        back = b""
        while True:
            now_s = time.monotonic()
            wait_s = due_s - now_s if back else due_s + PATIENCE_S - now_s
            if wait_s <= 0.0 or self._stopping.is_set():
                return back
            ready, _, _ = select.select([self._master], [], [], wait_s)
            if ready:
                back += os.read(self._master, 65536)
