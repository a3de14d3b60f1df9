"""What the oven offers to go on with: a run that was paused, or cut off by a restart."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.core.oven_run import OvenRun
from controller.core.program import ACTIVE, Run
from controller.core.resume import OFFERED_S, offer_text, run_from_state, run_to_state, unusable
from controller.model import Reason


class OvenOffer(OvenRun):
    """`resumable`: the run that was cut off, as plain data; None where none is offered."""

    def __init__(self, limits: Limits, next_run_id: int, resumable: Mapping[str, Any] | None) -> None:
        super().__init__(limits, next_run_id)
        self._damaged = resumable is not None and unusable(resumable)
        self.resumable: Mapping[str, Any] | None = None if self._damaged else resumable
        self._away_s = float(self.resumable.get("away_s", 0.0)) if self.resumable else 0.0
        self._told_resumable = False
        self._open: Run | None = None

    @property
    def resumable_run_id(self) -> int | None:
        """A paused run, or one cut off by a restart."""
        if self.paused and self.run is not None:
            return self.run.run_id
        return int(self.resumable["run_id"]) if self.resumable else None

    def resume_refusals(self, run_id: int) -> list[Reason]:
        """Why this run cannot be resumed; empty when it can."""
        if self.resumable_run_id == run_id:
            return []
        known = self.resumable_run_id
        offer = f"Run {known} can be resumed." if known is not None else "No run is waiting to be resumed."
        return [Reason("not_resumable", f"Run {run_id} cannot be resumed. {offer}")]

    def resumed_run(self) -> Run | None:
        """The paused run, or the one that was cut off."""
        return self.run if self.paused or self.resumable is None else run_from_state(self.resumable)

    def resume(self, moment: Moment) -> None:
        """Go on with the paused or cut-off run, once the machine is armed, where it was: at a question of the
        program or in its cool, too; a soak begins with heating up to it."""
        if not self.paused and self.resumable is not None:
            self.run = run_from_state(self.resumable)
            # What its steel did meanwhile nobody saw: cold as the room, no hotter than it or its air ever was.
            self._load(moment.facts, self.run.load, self.run.hottest_c)
            self._back_to = self.resumable.get("phase", "heat_up")
        if self._back_to not in ("prompt", "cool"):
            self._back_to = "heat_up"
        run = self.run
        if run is None:
            return
        self._go("resume")
        self.resumable = self._open = None
        self.paused = False
        self.waiting_s = 0.0
        moment.happened("run_resumed", f"Run {run.run_id} goes on.", run_id=run.run_id)
        if moment.armed:
            self._armed(moment)
        else:
            moment.happened("arm_wanted", "Press the arm button at the oven.", run_id=run.run_id)

    def offer(self, moment: Moment) -> None:
        """Each tick: tell once of a run that was cut off; a day after that it is offered no longer, and one whose
        stored state is damaged never is."""
        if self._damaged:
            self._damaged = False
            moment.happened("run_lapsed", "What was stored of the run that was cut off is damaged; start anew.")
        if self.resumable is None and self.phase != "waiting_for_arm":
            self._away_s = 0.0
            return
        self._away_s += moment.passed_s
        if self.resumable is None:
            # Its day goes on while it waits for the button: a wait in vain makes it no longer.
            return
        run_id = self.resumable_run_id
        if self._away_s > OFFERED_S:
            self._withdraw(moment, "Nobody went on with it within 24 h.")
            moment.happened("run_lapsed", f"Run {run_id} was cut off more than 24 h ago; start anew.", run_id=run_id)
            return
        if not self._told_resumable:
            self._told_resumable = True
            moment.happened("run_resumable", offer_text(self.resumable, self._away_s), run_id=run_id,
                            away_s=self._away_s)

    def state(self) -> dict[str, Any] | None:
        """The run that would have to be resumed after a restart, as plain data; also one that waits for the button."""
        if self.run is not None and self.phase == "waiting_for_arm":
            return {**run_to_state(self.run, self._under()), "away_s": self._away_s}
        if self.run is not None and self.phase in ACTIVE:
            return run_to_state(self.run, self._under())
        return {**self.resumable, "away_s": self._away_s} if self.resumable else None

    def _withdraw(self, moment: Moment, why: str) -> None:
        """It is no longer offered to go on. A run that had gone on here is open in the book, so its end is told."""
        run, self._open, self.resumable = self._open, None, None
        self._away_s = 0.0
        if run is not None:
            self.run = run
            self._finish(moment, "stopped", why)
            self.run = None
