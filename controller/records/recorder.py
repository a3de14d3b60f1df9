"""Turns what comes of each step of the pump into rows. Called by the tick thread: it only leaves things."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from ..model import Answer, Event, Outcome, Reason, Request, Snapshot
from .batch import Writing
from .quenches import QuenchBook, both
from .records import Records
from .rows import RunStart, sample_of
from .tape import TapeHead

SAMPLE_S: Final = 1.0
STATE_S: Final = 10.0
_ANSWERED: Final = ("request_accepted", "request_refused")


class RunRecorder:
    """Records every step: samples at 1 Hz, events, requests with their answers, run boundaries, the tape.

    `state` gives the core's state (`Core.state`); it is asked once a tape block, after every tick that had
    events, and every ten seconds of a run. `settings_hash` and `profiles_hash` say what runs are started
    with. `now_s` is the monotonic time at which recording begins. `tell` is asked with every event, the
    snapshot of its tick, its number and wall time; what it answers is written in one piece with the event. `memory`
    gives all that core and link remember, for the tape.

    Events it acts on: `run_started` {`run_id`, `program`, `load`, `who`}, `run_resumed` {`run_id`},
    `run_ended` {`run_id`, `outcome`, `tempers`} (its text becomes the run's ending), `request_accepted` and
    `request_refused` {`request_id`, `reasons`?, `run_id`?, `phase`?}, and those of quenches (`QuenchBook`).
    """

    def __init__(
        self,
        records: Records,
        *,
        state: Callable[[], Mapping[str, Any]],
        now_s: float,
        settings_hash: str = "",
        profiles_hash: str = "",
        tell: Callable[[Event, Snapshot, int, float], Writing | None] | None = None,
        memory: Callable[[], bytes] | None = None,
    ) -> None:
        self._records = records
        self._tell = tell
        self._state = state
        self._hashes = (settings_hash, profiles_hash)
        self._tape = TapeHead(state, now_s, memory)
        self._run_id: int | None = None
        self._state_kept_s = now_s
        self._sample_due_s = float("-inf")
        self._quenches = QuenchBook()
        self._unanswered: dict[int, Request] = {}
        self._in_trouble = False

    @property
    def run_id(self) -> int | None:
        """The run that is on."""
        return self._run_id

    def took(
        self,
        now_s: float,
        wall: float,
        *,
        data: bytes,
        requests: Iterable[Request],
        forced: bool,
        wrote: bytes,
        outcomes: Sequence[Outcome],
        port: str | None = None,
    ) -> tuple[int, ...]:
        """One step of the pump as it was, and what came of it; answers the book's numbers of its events.

        `wall`: the wall time of `now_s`. `forced`: no telemetry came and the tick was made without. `port`: what the
        link was told of the port before this step.
        """
        requests = tuple(requests)
        self._tape.step(now_s, data, requests, forced, wrote, port)
        for request in requests:
            self._unanswered[request.id] = request
        numbers: list[int] = []
        for outcome in outcomes:
            at = wall + outcome.snapshot.at_s - now_s
            # A run's end and a state that still offers it, or a trip and a state without its latch, may not be
            # what a kill leaves behind.
            with self._records.together():
                for event in outcome.events:
                    numbers.extend(self._happened(event, outcome.snapshot, now_s, wall + event.at_s - now_s))
                numbers.extend(self._disk(outcome.snapshot, now_s, at))
                self._sample(outcome, at)
                self._keep_state(outcome)
        block = self._tape.turn(now_s)
        if block is not None and self._run_id is not None:
            self._records.put_tape(self._run_id, block)
        return tuple(numbers)

    def _disk(self, snapshot: Snapshot, now_s: float, at: float) -> tuple[int, ...]:
        """When the disk begins to take nothing, and when it takes again: told at once, in the book when it can be."""
        trouble = self._records.trouble
        if (trouble is not None) == self._in_trouble:
            return ()
        self._in_trouble = trouble is not None
        if trouble is None:
            event = Event("record_back", snapshot.at_s, "The book is being written again.")
        else:
            event = Event("record_trouble", snapshot.at_s, trouble)
        return self._happened(event, snapshot, now_s, at)

    def _happened(self, event: Event, snapshot: Snapshot, now_s: float, at: float) -> tuple[int, ...]:
        if event.kind == "run_started":
            self._run_begins(event, at)
        elif event.kind == "run_resumed":
            self._records.run_resumed(event.data["run_id"], at=at, mono_s=event.at_s)
            self._run_is_on(event.data["run_id"])
        elif event.kind in _ANSWERED:
            self._answered(event, at)
        # A run's last event belongs to it, and is left before its end, so that both come in one commit.
        quench = self._quenches.writing(event, snapshot, at)
        tell = self._tell
        numbers = self._records.put_events(
            (event,),
            run_id=self._run_id,
            at=at,
            beside=lambda told, number: both(quench, None if tell is None else tell(told, snapshot, number, at)),
        )
        if event.kind == "run_ended":
            self._run_ends(event, now_s, at)
        return numbers

    def _run_begins(self, event: Event, at: float) -> None:
        data = event.data
        settings_hash, profiles_hash = self._hashes
        start = RunStart(
            data["run_id"],
            data["program"],
            data.get("load", ()),
            data.get("who", ""),
            settings_hash,
            profiles_hash,
            self._state(),
        )
        self._records.run_started(start, at=at, mono_s=event.at_s)
        self._run_is_on(start.run_id)

    def _run_is_on(self, run_id: int) -> None:
        if run_id == self._run_id:
            return  # it was only paused: its tape and its samples never ended
        self._run_id = run_id
        self._sample_due_s = float("-inf")  # the first sample is the run's first tick
        for block in self._tape.lead_in():
            self._records.put_tape(run_id, block)

    def _run_ends(self, event: Event, now_s: float, at: float) -> None:
        run_id = event.data["run_id"]
        block = self._tape.turn(now_s, early=True)
        if block is not None:
            self._records.put_tape(run_id, block)
        self._records.run_ended(
            run_id,
            outcome=event.data["outcome"],
            ending=event.text,
            tempers=event.data.get("tempers", ()),
            at=at,
            mono_s=event.at_s,
        )
        self._run_id = None

    def _answered(self, event: Event, at: float) -> None:
        request = self._unanswered.pop(event.data.get("request_id", -1), None)
        if request is None:
            return
        reasons = tuple(
            Reason(**reason) if isinstance(reason, Mapping) else Reason(*reason)
            for reason in event.data.get("reasons", ())
        )
        answer = Answer(reasons, event.data.get("run_id"), event.data.get("phase"))
        self._records.put_request(request, answer, at=at)

    def _keep_state(self, outcome: Outcome) -> None:
        """At every event, and now and then in a run: how far a soak has come is no event."""
        at_s = outcome.snapshot.at_s
        due = self._run_id is not None and at_s - self._state_kept_s >= STATE_S
        if outcome.events or due:
            self._records.put_state(self._state(), at_once=bool(outcome.events))
            self._state_kept_s = at_s

    def _sample(self, outcome: Outcome, at: float) -> None:
        snapshot = outcome.snapshot
        if self._run_id is None and snapshot.tank.setpoint_c is None:
            return
        if snapshot.at_s < self._sample_due_s:
            return
        # Kept on the second where ticks come on time; begun afresh after a gap.
        on_time = snapshot.at_s - self._sample_due_s < SAMPLE_S
        self._sample_due_s = (self._sample_due_s if on_time else snapshot.at_s) + SAMPLE_S
        self._records.put_samples((sample_of(snapshot, self._run_id, at),))
