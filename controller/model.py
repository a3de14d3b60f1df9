"""The types that pass between the parts: frozen, without behaviour.

Temperatures are °C, times are seconds and duties 0..1 unless a name says otherwise. Types that are made
in every tick are named tuples, because they are built four times a second in the shop and twelve thousand
times a second in a rehearsal; the rest are frozen dataclasses. `None` means "not known", never a guess.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any, Final, Literal, NamedTuple, Protocol

# --- Bits of the board's frames (design chapter 5) -------------------------------------------------------

SENSORS: Final = ("oven", "oven_limit", "tank", "tank_limit", "part")

FITTED_OVEN: Final = 1
FITTED_OVEN_LIMIT: Final = 2
FITTED_TANK: Final = 4
FITTED_TANK_LIMIT: Final = 8
FITTED_PART: Final = 16
FITTED_OVEN_CURRENT: Final = 32
FITTED_TANK_CURRENT: Final = 64
FITTED_LEVEL: Final = 128
FITTED_AGITATOR: Final = 256
FITTED_SMOKE: Final = 512
FITTED_DOOR: Final = 1024

INPUT_DOOR_OPEN: Final = 1
INPUT_STOP_CLOSED: Final = 2
INPUT_LEVEL_GOOD: Final = 4
INPUT_AGITATOR_TURNING: Final = 8
INPUT_SMOKE: Final = 16
INPUT_ARMED: Final = 32
INPUT_ARM_BUTTON: Final = 64
INPUT_RESET_BUTTON: Final = 128

OUTPUT_OVEN: Final = 1
OUTPUT_TANK: Final = 2
OUTPUT_CONTACTOR: Final = 4
OUTPUT_SOUNDER: Final = 8
OUTPUT_AGITATOR: Final = 16

TRIP_BITS: Final[Mapping[int, str]] = {
    1: "over_oven",
    2: "over_tank",
    4: "sensor_oven",
    8: "sensor_tank",
    16: "stop",
    32: "level",
    64: "smoke",
    128: "stuck",
    256: "record",
    512: "host",
}

# --- From the board --------------------------------------------------------------------------------------


class Telemetry(NamedTuple):
    """One `T` frame as it came: temperatures in hundredths of °C on the chip's own scale."""

    tseq: int
    ms: int
    sid: int
    oven: int
    oven_limit: int
    tank: int
    tank_limit: int
    part: int
    cold: int
    faults: str
    inputs: int
    outputs: int
    oven_on_ms: int
    tank_on_ms: int
    trips: int
    arm_left_s: int
    arms: int
    resets: int
    last_seq: int
    age_ms: int
    bad_frames: int
    overruns: int


class Board(NamedTuple):
    """What the board said of itself when it was greeted (frames `B` and `H`), limits in hundredths, chip scale."""

    proto: int
    firmware: int
    reset_cause: int
    boots: int
    trips: int
    layout: int
    sid: int
    chip: int
    oven_flash: int
    tank_flash: int
    oven_limit: int
    tank_off: int
    tank_limit: int
    fitted: int
    window_ms: int


class Reading(NamedTuple):
    """What the link heard since the last tick.

    `frames`: telemetry, oldest first, empty when the board was silent. `board`: the newest greeting of the
    port that is open, None until the board answered. `incompatible`: None, or "layout" or "protocol".
    `answer`: the code of the newest answer to an S of this session, None before the first.
    `limits_set`: every limit the host sent in this session was answered with 0. `port_text`: "" while the
    port is open, else a sentence for the smith that says what is wrong with it.
    """

    frames: tuple[Telemetry, ...] = ()
    board: Board | None = None
    incompatible: str | None = None
    answer: int | None = None
    limits_set: bool = False
    port_text: str = ""


NO_READING: Final = Reading()


class BoardLimits(NamedTuple):
    """The limits to send to the board, hundredths of °C, chip scale, rounded down; None: not sent."""

    oven_trip: int | None
    tank_off: int | None
    tank_trip: int | None


class Command(NamedTuple):
    """What the host asks of the board until the next command. Duties are 0..1."""

    oven_duty: float = 0.0
    tank_duty: float = 0.0
    sounder: bool = False
    agitator: bool = False
    contactor: bool = False
    work: bool = False
    trip: bool = False
    limits: BoardLimits | None = None


IDLE: Final = Command()

# --- Programs and loads ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Temper:
    """One heat-up, soak and cool. `ramp_c_per_h` None: as fast as allowed. `cool_below_c`: of the part."""

    temperature_c: float
    soak_s: float
    ramp_c_per_h: float | None = None
    band_c: float = 5.0
    cool_below_c: float = 60.0
    prompt: str | None = None


@dataclass(frozen=True, slots=True)
class Program:
    """What the oven is to do. `until_equivalent`: a soak ends on its tempering parameter, not on the clock."""

    name: str
    tempers: tuple[Temper, ...]
    until_equivalent: bool = False
    use: str = ""
    note: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class LoadItem:
    """One piece, or several alike, in the oven."""

    mass_kg: float
    section_mm: float
    stock: int | None = None
    piece: int | None = None


@dataclass(frozen=True, slots=True)
class Oil:
    """A quench oil as limits need it. `flash_low_c` is the lowest credible flash point, None: unknown.

    Density is for 20 °C and heat capacity for 35 °C; `density_per_k` and `heat_per_k` are their change with
    temperature. `condition`: clean, unknown, used or wet.
    """

    name: str
    kind: Literal["quench", "vegetable", "motor", "transmission", "used"]
    flash_low_c: float | None
    bath_min_c: float
    bath_max_c: float
    density_kg_per_l: float
    heat_capacity_j_per_kg_k: float
    label: str = ""
    note: str = ""
    source: str = ""
    smoke_low_c: float | None = None
    viscosity_38c_mpa_s: float | None = None
    viscosity_60c_mpa_s: float | None = None
    density_per_k: float = 0.0
    heat_per_k: float = 0.0
    condition: str = "unknown"


# --- What a person wants ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Start:
    program: Program
    load: tuple[LoadItem, ...] = ()


@dataclass(frozen=True, slots=True)
class StopOven:
    pass


@dataclass(frozen=True, slots=True)
class Resume:
    run_id: int


@dataclass(frozen=True, slots=True)
class Confirm:
    prompt_id: str
    answer: bool = True


@dataclass(frozen=True, slots=True)
class Preheat:
    """`target_c` None: the oil's own. `ready_in_s` None: now; else when the oil is to be ready. `gentle`: little heat
    this once, for oil that was filled in or stood long and may be wet."""

    target_c: float | None = None
    ready_in_s: float | None = None
    gentle: bool = False


@dataclass(frozen=True, slots=True)
class TankOff:
    pass


@dataclass(frozen=True, slots=True)
class Quench:
    """`another`: never the mass of the quench before, also where that has none yet."""

    mass_kg: float | None = None
    part_c: float | None = None
    piece: int | None = None
    another: bool = field(default=False, compare=False)


@dataclass(frozen=True, slots=True)
class Presence:
    pass


@dataclass(frozen=True, slots=True)
class StopAll:
    pass


Wish = Start | StopOven | Resume | Confirm | Preheat | TankOff | Quench | Presence | StopAll


@dataclass(frozen=True, slots=True)
class Request:
    """A wish with its number (unique in this process) and who had it ("phone 2", "machine", "script")."""

    id: int
    wish: Wish
    who: str


class Reason(NamedTuple):
    """Why a request is refused: a fixed code and a sentence that says what would be right."""

    code: str
    text: str


# --- What comes of a tick --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, with a fixed name (`core.events.KINDS` lists them).

    `request_accepted` and `request_refused` carry `request_id`, `wish` (the name of its type) and `who` in data,
    the latter `reasons` as well, the former `run_id` and `phase` where a run or a phase came of it
    and `remarks` of a quench.
    """

    kind: str
    at_s: float
    text: str
    data: Mapping[str, Any] = field(default_factory=dict)


VerdictName = Literal["permit", "withhold", "trip"]


class RowState(NamedTuple):
    """One interlock as the page shows it. `advice` is empty while the row is good."""

    name: str
    state: Literal["good", "alert", "withhold", "trip", "not fitted"]
    text: str
    advice: str
    zone: Literal["oven", "tank", "both"]


class Prompt(NamedTuple):
    id: str
    text: str


Refusal = Literal["frames", "limits", "duty"]


class BoardView(NamedTuple):
    """`refuses`: what the board has not taken for ten seconds although it is heard."""

    connected: bool
    armed: bool
    arm_left_s: int | None
    trips: int
    firmware: int | None
    fitted: int
    incompatible: str | None
    port_text: str
    data_age_s: float | None
    presses: int
    refuses: Refusal | None = None


class OvenView(NamedTuple):
    temperature_c: float | None
    limit_temperature_c: float | None
    part_c: float | None
    part_error_c: float | None
    part_measured: bool
    setpoint_c: float | None
    air_target_c: float | None
    asked_duty: float
    applied_duty: float | None
    verdict: VerdictName
    phase: str
    program: str | None
    run_id: int | None
    temper_index: int
    temper_count: int
    band_c: float | None
    soak_done_s: float | None
    soak_total_s: float | None
    equivalent_s: float | None
    soak_in_s: float | None
    ends_in_s: float | None
    lost_s: float
    wait_left_s: float | None
    resumable_run_id: int | None
    target_c: float | None = None
    limit_c: float | None = None


class TankView(NamedTuple):
    temperature_c: float | None
    limit_temperature_c: float | None
    setpoint_c: float | None
    asked_duty: float
    applied_duty: float | None
    verdict: VerdictName
    phase: str
    ready: bool
    ready_expected_s: float | None
    ceiling_c: float | None
    limit_c: float | None
    flash_point_c: float | None
    oil: str | None
    takes_kg: float | None = None
    next_quench_in_s: float | None = None
    untempered_s: float | None = None
    gentle: bool = False


class Snapshot(NamedTuple):
    """All that anyone may know of the shop now. Replaced whole in every tick."""

    at_s: float
    board: BoardView
    verdict: VerdictName
    rows: tuple[RowState, ...]
    prompt: Prompt | None
    presence_left_s: float | None
    oven: OvenView
    tank: TankView
    fire: bool


class Outcome(NamedTuple):
    command: Command
    events: tuple[Event, ...]
    snapshot: Snapshot


# --- What a person is told -------------------------------------------------------------------------------

Urgency = Literal["fire", "trip", "hand", "news"]


@dataclass(frozen=True, slots=True)
class Alert:
    """A message to a person, made of an event. `event_id`: the event's number in the book; `at`: wall time, s.

    `urgency`: "fire" and "trip" are said at any hour; "hand" wants somebody; "news" only informs. `subject`:
    what it is about; of one subject nothing is said twice within minutes. `headline` and `text`: whole
    sentences, with local clock times.
    """

    event_id: int
    kind: str
    urgency: Urgency
    subject: str
    headline: str
    text: str
    at: float


GIVEN_UP: Final = "Too old to be of use; not sent."
"""What stands in the book as the last fault of an alert that a channel let go; as delivered it is never marked."""


# --- Where siblings meet (introduced to each other by the commands) --------------------------------------


@dataclass(frozen=True, slots=True)
class Answer:
    """The tick's answer to a request: accepted when `reasons` is empty. `remarks`: what is to be said of one that was
    accepted."""

    reasons: tuple[Reason, ...] = ()
    run_id: int | None = None
    phase: str | None = None
    remarks: tuple[Reason, ...] = ()


class Forecast(NamedTuple):
    """What a start would bring, from the moment heat begins: seconds until the first soak begins and until the
    last one ends (cools included), each with its error either way; `too_long`: it would be refused as longer
    than 11 h."""

    soak_in_s: float
    ends_in_s: float
    soak_error_s: float
    ends_error_s: float
    too_long: bool


class Desk(Protocol):
    """What the web asks of the daemon. All calls are safe from any thread and never wait."""

    def snapshot(self) -> tuple[Snapshot, float]:
        """The last snapshot, and how many seconds ago it was made."""

    def ask(self, wish: Wish, who: str, arrived_s: float | None = None) -> Future[Answer]:
        """Queue a wish for the next tick; one that cannot be queued is answered at once, with the reason.

        `arrived_s`: when it was heard of (time.monotonic); heat that was asked before a Stop is not begun after it.
        """

    def forecast(self, program: Program, load: tuple[LoadItem, ...]) -> Forecast | None:
        """When this program would begin to soak and be done, were it started now; None where its numbers, the
        load's or the shop give no forecast."""

    def on_time(self) -> bool:
        """Whether ticks are on time (for /healthz)."""

    def figures(self) -> Mapping[str, float]:
        """Counters for /metrics: ticks, late_ticks, worst_lateness_s, bad_frames, ..."""


class RehearsalControls(Protocol):
    """The buttons, faults and pace of the simulated shop, safe from any thread."""

    def press(self, button: Literal["arm", "reset"]) -> None: ...

    def fault(self, name: str, on: bool) -> None: ...

    def faults(self) -> Mapping[str, bool]: ...

    def set_speed(self, speed: float) -> None: ...

    def speed(self) -> float: ...
