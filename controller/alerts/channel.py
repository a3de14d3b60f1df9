"""One way to a person, with a thread of its own: what waits, when it is tried, and what became of it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from datetime import time as clock_time
from typing import Any, Final

from controller.alerts.sender import Sender, SendError, sender_for
from controller.model import GIVEN_UP, Alert, Urgency
from controller.settings import AlertChannel, Alerts

log = logging.getLogger("ovenhand.alerts")

FIRST_RETRY_S: Final = 5.0
LONGEST_RETRY_S: Final = 600.0
NEWS_KEEPS_S: Final = 3600.0
"""News is of no use an hour later; a trip, or a hand that is wanted, is tried for a day."""
KEEPS_S: Final = 86_400.0
TRIED_S: Final = 3600.0
"""For so long a trip or fire from the book is tried at least: its age is by a wall clock that may have been set."""
MOST_WAITING: Final = 100
HUNG_S: Final = 60.0
LEAST_URGENT: Final[Mapping[str, frozenset[Urgency]]] = {
    "everything": frozenset(("fire", "trip", "hand", "news")),
    "hand": frozenset(("fire", "trip", "hand")),
    "trip": frozenset(("fire", "trip")),
}


@dataclass(slots=True)
class Waiting:
    """An alert on its way. `next_s`, `until_s`: monotonic."""

    alert: Alert
    next_s: float
    until_s: float
    attempts: int = 0


class Channel:
    """Sends what concerns it, one after the other, the most urgent first, until it is delivered.

    Times are monotonic, so that a step of the wall clock neither hastens nor forgets anything. `report`: told
    (name, alert, attempts, fault or "", delivered) after every try, for the book; GIVEN_UP is the fault of what was let
    go. Neither it nor the log is called
    with the lock held: the control thread hands alerts over while it holds the book's own, and waits for nothing here.
    """

    def __init__(
        self,
        settings: AlertChannel,
        quiet: Callable[[], bool],
        send: Sender,
        *,
        mono: Callable[[], float],
        wall: Callable[[], float],
        report: Callable[[str, Alert, int, str, bool], object],
    ) -> None:
        self.name = settings.name
        self._after_s = settings.after_min * 60.0
        self._urgencies = LEAST_URGENT[settings.urgency]
        self._quiet, self._send, self._mono, self._wall, self._report = quiet, send, mono, wall, report
        self._ready = threading.Condition()
        self._waiting: list[Waiting] = []
        self._ending = False
        self._busy_since_s: float | None = None
        self._failing = ""
        self._delivered_at: float | None = None
        self._forgotten = 0
        self._thread = threading.Thread(target=self._work, name=f"alerts {self.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end; a message on its way is not waited for."""
        with self._ready:
            self._ending = True
            self._ready.notify()

    def takes(self, alert: Alert) -> bool:
        """Whether it is urgent enough for this channel."""
        return alert.urgency in self._urgencies

    def give(self, alert: Alert, age_s: float = 0.0) -> None:
        """Send this, when it is due. `age_s`: how long ago it happened (known from the book after a restart)."""
        if not self.takes(alert):
            return
        now_s = self._mono()
        keeps_s = NEWS_KEEPS_S if alert.urgency == "news" else KEEPS_S
        least_s = TRIED_S if alert.urgency in ("trip", "fire") else 0.0
        test = alert.event_id < 0
        wait_s = 0.0 if test else max(0.0, self._after_s - age_s)
        with self._ready:
            if len(self._waiting) >= MOST_WAITING:
                self._forget_one()
            self._waiting.append(Waiting(alert, now_s + wait_s, now_s + wait_s + max(least_s, keeps_s - age_s)))
            self._ready.notify()

    def _forget_one(self) -> None:
        """Make room: the oldest of the least urgent goes."""
        order = ("news", "hand", "trip", "fire")
        self._waiting.remove(min(self._waiting, key=lambda waiting: order.index(waiting.alert.urgency)))
        self._forgotten += 1

    def seen(self, event_id: int) -> None:
        """Somebody has seen it: where it has not gone out yet, it need not."""
        with self._ready:
            self._waiting = [waiting for waiting in self._waiting if waiting.alert.event_id != event_id]

    def state(self) -> Mapping[str, Any]:
        """`name`, `waiting`, `forgotten`, `failing` (a sentence or ""), `last_delivered_at` (wall s or None)."""
        with self._ready:
            failing = self._failing
            if self._busy_since_s is not None and self._mono() - self._busy_since_s > HUNG_S:
                failing = "The other end has not answered for over a minute."
            return {
                "name": self.name, "waiting": len(self._waiting), "forgotten": self._forgotten, "failing": failing,
                "last_delivered_at": self._delivered_at,
            }  # fmt: skip

    # --- the channel's thread --------------------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            self.step()
            with self._ready:
                if self._ending:
                    return
                pause_s = self._pause_s(self._mono())
                if pause_s is None or pause_s > 0.0:
                    self._ready.wait(pause_s)

    def step(self) -> bool:
        """Let go of what is too old, then try the most urgent message that is due; False when none is."""
        with self._ready:
            old = self._let_go(self._mono())
            due = None if self._ending else self._due(self._mono())
            if due is not None:
                self._busy_since_s = self._mono()
        for waiting in old:
            self._report(self.name, waiting.alert, waiting.attempts, GIVEN_UP, False)
        if due is None:
            return False
        self._try(due)
        return True

    def _let_go(self, now_s: float) -> list[Waiting]:
        """Take out what is too old, with the lock held."""
        old = [waiting for waiting in self._waiting if now_s >= waiting.until_s]
        self._waiting = [waiting for waiting in self._waiting if now_s < waiting.until_s]
        self._forgotten += len(old)
        return old

    def _due(self, now_s: float) -> Waiting | None:
        """The most urgent that is due, with the lock held."""
        silent = self._quiet()
        due = [
            waiting for waiting in self._waiting
            if now_s >= waiting.next_s and not (silent and waiting.alert.urgency in ("hand", "news"))
        ]  # fmt: skip
        order = ("fire", "trip", "hand", "news")
        return min(due, key=lambda waiting: (order.index(waiting.alert.urgency), waiting.next_s), default=None)

    def _pause_s(self, now_s: float) -> float | None:
        """Until the next is due, 0 when it is; at most half a minute, for quiet hours end by the wall clock."""
        if not self._waiting:
            return None
        if self._quiet():
            return 30.0 if self._due(now_s) is None else 0.0
        return min(30.0, max(0.0, min(waiting.next_s for waiting in self._waiting) - now_s))

    def _try(self, waiting: Waiting) -> None:
        alert = waiting.alert
        fault = ""
        try:
            self._send(alert)
        except SendError as error:
            fault = str(error)
        except Exception as error:
            # A fault in a library must not silence this channel for good. Its text may hold the address.
            fault = f"The sender itself failed ({type(error).__name__})."
        waiting.attempts += 1
        with self._ready:
            self._busy_since_s = None
            before, self._failing = self._failing, fault
            if not fault:
                self._delivered_at = self._wall()
            if waiting in self._waiting and (not fault or alert.event_id < 0):
                self._waiting.remove(waiting)  # a test that fails is not tried again: whoever tests, looks
            retry_s = min(LONGEST_RETRY_S, FIRST_RETRY_S * 2.0 ** (waiting.attempts - 1))
            waiting.next_s = self._mono() + retry_s
        if fault and not before:
            log.warning("Alerts by %s do not get through: %s", self.name, fault)
        if before and not fault:
            log.info("Alerts by %s get through again.", self.name)
        self._report(self.name, alert, waiting.attempts, fault, not fault)


def quiet_hours(alerts: Alerts, wall: Callable[[], float]) -> Callable[[], bool]:
    """Whether the wall clock stands in the shop's quiet hours."""
    if alerts.quiet_from is None or alerts.quiet_until is None:
        return lambda: False
    begin, end = clock_time.fromisoformat(alerts.quiet_from), clock_time.fromisoformat(alerts.quiet_until)

    def quiet() -> bool:
        now = datetime.fromtimestamp(wall()).time()
        return begin <= now < end if begin <= end else now >= begin or now < end

    return quiet


def open_channels(
    alerts: Alerts,
    *,
    mono: Callable[[], float],
    wall: Callable[[], float],
    report: Callable[[str, Alert, int, str, bool], object],
    waiting: Iterable[tuple[str, Alert]] = (),
    sender: Callable[[AlertChannel], Sender] = sender_for,
) -> Sequence[Channel]:
    """The shop's channels, started, with what the book says is still `waiting` as (channel, alert)."""
    quiet = quiet_hours(alerts, wall)
    channels = [
        Channel(settings, quiet, sender(settings), mono=mono, wall=wall, report=report) for settings in alerts.channels
    ]
    by_name = {channel.name: channel for channel in channels}
    for name, alert in waiting:
        if name in by_name:
            by_name[name].give(alert, max(0.0, wall() - alert.at))
    for channel in channels:
        channel.start()
    return channels
