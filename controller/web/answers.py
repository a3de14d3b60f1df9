"""What the service answers, described for the OpenAPI document only.

Nothing is validated or built from these tables when a request is answered: the answers are plain values, encoded
once by our own encoder. This module is read when somebody asks for the document.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from controller.profiles.oils import OilProfile
from controller.profiles.programs import ProgramKeys
from controller.profiles.steels import SteelProfile

Rfc3339 = Annotated[str, Field(description="RFC 3339, UTC", json_schema_extra={"format": "date-time"})]
Celsius = Annotated[float, Field(description="°C")]
Seconds = Annotated[float, Field(description="s")]
Duty = Annotated[float, Field(description="0 to 1", ge=0, le=1)]
Verdict = Literal["permit", "withhold", "trip"]
TripName = Literal[
    "over_oven", "over_tank", "sensor_oven", "sensor_tank", "stop", "level", "smoke", "stuck", "record", "host"
]
OvenPhase = Literal[
    "ready", "waiting_for_arm", "heat_up", "soak", "cool", "prompt", "withheld", "ended", "tripped"
]  # fmt: skip
TankPhase = Literal[
    "off", "scheduled", "waiting_for_arm", "preheat", "in_band", "too_hot", "withheld", "tripped"
]  # fmt: skip


class Told(BaseModel):
    """What stands in an answer. null: not known."""

    model_config = ConfigDict(defer_build=True)


# --- Errors ------------------------------------------------------------------------------------------------------


class ProblemReason(Told):
    code: str = Field(description="fixed, for programs")
    text: str = Field(description="a sentence that says what would be right")


class Problem(Told):
    """An error as an RFC 9457 problem document, with all its reasons."""

    type: Literal["about:blank"]
    title: str
    status: int
    detail: str = Field(description="the reasons' texts, one after the other")
    reasons: list[ProblemReason]


# --- The shop now ------------------------------------------------------------------------------------------------


class BoardStatus(Told):
    connected: bool = Field(description="greeted, and telemetry within 1.5 s")
    armed: bool
    arm_expires_s: int | None = Field(description="s; null when not armed")
    trips: list[TripName]
    firmware: int | None
    fitted: int = Field(description="a sum of bits, as in the board's greeting")
    incompatible: Literal["layout", "protocol"] | None
    port_text: str = Field(description="empty while the port is open, else what is wrong with it")
    data_age_s: Seconds | None
    presses: int = Field(description="of the arm button since the board's boot")


class Interlock(Told):
    name: str
    state: Literal["good", "withhold", "trip", "not fitted"]
    alert: bool = Field(description="a message stands that takes no heat away")
    text: str
    advice: str
    zone: Literal["oven", "tank", "both"]


class PromptStatus(Told):
    id: str
    text: str


class OvenStatus(Told):
    verdict: Verdict
    temperature_c: Celsius | None
    limit_temperature_c: Celsius | None
    part_c: Celsius | None
    part_error_c: float | None = Field(description="K, either way")
    part_measured: bool
    setpoint_c: Celsius | None
    air_target_c: Celsius | None
    asked_duty: Duty | None
    applied_duty: Duty | None
    phase: OvenPhase
    program: str | None
    run_id: int | None
    soak_done_s: Seconds | None
    soak_total_s: Seconds | None
    equivalent_s: Seconds | None = Field(description="s at the temper's own temperature that did the same")
    ends_at: Rfc3339 | None
    resumable_run_id: int | None
    temper_index: int
    temper_count: int
    band_c: float | None = Field(description="K, either way")
    lost_s: Seconds | None
    soak_in_s: Seconds | None
    ends_in_s: Seconds | None
    target_c: Celsius | None
    wait_left_s: Seconds | None


class TankStatus(Told):
    verdict: Verdict
    temperature_c: Celsius | None
    limit_temperature_c: Celsius | None
    setpoint_c: Celsius | None
    asked_duty: Duty | None
    applied_duty: Duty | None
    phase: TankPhase
    ready: bool
    ready_expected_s: Seconds | None
    ceiling_c: Celsius | None
    limit_c: Celsius | None
    flash_point_c: Celsius | None
    oil: str | None
    takes_kg: float | None = Field(description="the heaviest steel that the oil takes now")
    next_quench_in_s: Seconds | None = Field(description="until it takes the last quench once more")
    untempered_s: Seconds | None = Field(description="since a quench that was not tempered yet")
    gentle: bool = Field(description="warmed with little heat, for water that may lie under the oil")


class Margins(Told):
    oil: str | None
    bath_min_c: Celsius | None
    bath_max_c: Celsius | None
    ceiling_c: Celsius | None = Field(description="no heat from here")
    limit_c: Celsius | None = Field(description="too hot to quench")
    trip_c: Celsius | None = Field(description="heat off and latched, the sounder calls")
    flash_point_c: Celsius | None = Field(description="the lowest credible one")


class Sentence(Told):
    """A clock time stands as {in:SECONDS}: that many from now."""

    text: str
    advice: str


class Status(Told):
    mode: Literal["shop", "rehearsal"]
    now: Rfc3339
    units: Literal["C", "F"]
    speed: float = Field(description="how much faster than the clock; 1 but in a rehearsal")
    data_age_s: Seconds | None
    board: BoardStatus
    verdict: Verdict
    interlocks: list[Interlock]
    prompt: PromptStatus | None
    presence_expires_s: Seconds | None
    oven: OvenStatus
    tank: TankStatus
    fire: bool
    record_trouble: str | None = Field(description="a sentence while the book takes nothing")
    sentence_c: Sentence
    sentence_f: Sentence


# --- What a wish is answered -------------------------------------------------------------------------------------


class Taken(Told):
    """The tick has taken the wish."""

    phase: str | None = Field(description="the zone's, after it")


class RunTaken(Taken):
    run_id: int | None


class ForecastTold(Told):
    """When a start now would begin to soak, and be done. Nothing is started by asking."""

    soak_begins_at: Rfc3339 | None
    soak_begins_error_s: Seconds | None = Field(description="s by the clock, either way")
    ends_at: Rfc3339 | None
    ends_error_s: Seconds | None = Field(description="s by the clock, either way")
    too_long: bool | None = Field(description="whether it would be refused as longer than 11 h")
    reason: str | None = Field(description="why there is no forecast, or what is wrong with it")


class Paired(Told):
    token: str
    role: Literal["operator", "viewer"]


class Device(Told):
    id: int
    label: str
    role: Literal["operator", "viewer"]
    created_at: Rfc3339
    last_seen_at: Rfc3339 | None
    revoked_at: Rfc3339 | None
    this: bool = Field(description="the one that asks")


class Revoked(Told):
    id: int
    revoked: Literal[True]


class Fault(Told):
    name: str
    text: str
    on: bool


class RehearsalState(Told):
    faults: list[Fault]
    speed: float


# --- The book ----------------------------------------------------------------------------------------------------


class LoadLine(Told):
    mass_kg: float
    section_mm: float
    stock: int | None
    piece: int | None


class TemperLine(Told):
    """What became of one temper."""

    temperature_c: Celsius
    soak_s: Seconds
    in_band_s: Seconds
    part_peak_c: Celsius | None
    air_peak_c: Celsius | None
    part_rms_c: float | None = Field(description="K, of the steel about the setpoint in the soak")
    equivalent_c: Celsius | None = Field(description="the steady temperature of that soak that did the same")
    equivalent_s: Seconds | None


class RunLine(Told):
    id: int
    program_name: str
    who: str
    started_at: Rfc3339
    ended_at: Rfc3339 | None
    outcome: Literal["ended", "stopped", "tripped", "cut off"] | None = Field(description="null while it is on")
    ending: str | None
    duration_s: Seconds | None


class EventLine(Told):
    id: int
    run_id: int | None
    at: Rfc3339
    mono_s: Seconds
    kind: str
    text: str
    data: dict[str, Any]


class RequestLine(Told):
    id: int
    number: int = Field(description="in its process; 0 for what no tick answers")
    at: Rfc3339
    mono_s: Seconds
    who: str
    wish: str
    details: dict[str, Any]
    accepted: bool
    reasons: list[Any]
    run_id: int | None
    phase: str | None


class Interruption(Told):
    cut_at: Rfc3339
    resumed_at: Rfc3339
    outcome: str
    ending: str


class Run(RunLine):
    program: ProgramKeys
    load: list[LoadLine]
    tempers: list[TemperLine]
    settings_hash: str
    profiles_hash: str
    samples: int
    tape_blocks: int
    events: list[EventLine]
    requests: list[RequestLine]
    interruptions: list[Interruption]


class StockLine(Told):
    id: int
    name: str
    grade: str | None
    composition: dict[str, float] | None = Field(description="symbol to percent by weight")
    section_mm: float | None
    origin: str = Field(description="what it was, if it is scrap")
    created_at: Rfc3339
    used_up_at: Rfc3339 | None
    note: str


class PieceLine(Told):
    id: int
    stock_id: int | None
    name: str
    mass_kg: float | None
    section_mm: float | None
    plan: dict[str, Any]
    tag: str | None
    created_at: Rfc3339
    finished_at: Rfc3339 | None
    note: str


class PieceRun(RunLine):
    tempers: list[TemperLine]


class FileTest(Told):
    id: int
    stock_id: int | None
    piece_id: int | None
    run_id: int | None
    at: Rfc3339
    who: str
    skates_hrc: float | None
    bites_hrc: float | None
    one_file: str | None
    temper_c: Celsius | None
    temper_s: Seconds | None
    by_hand: bool
    note: str


class DeclaredQuench(Told):
    at: Rfc3339
    who: str
    mass_kg: float | None
    part_c: Celsius | None


class Piece(PieceLine):
    piece_steps: list[dict[str, Any]]
    quenches: list[dict[str, Any]]
    file_tests: list[FileTest]
    declared_quenches: list[DeclaredQuench]
    runs: list[PieceRun]


class RungLine(Told):
    id: int
    stock_id: int
    at: Rfc3339
    who: str
    medium: Literal["still air", "oil", "water", "brine"]
    section_mm: float | None
    flat: bool
    hardened_from_c: Celsius | None
    file_skates: bool
    skates_hrc: float | None
    bites_hrc: float | None
    one_file: str | None
    note: str


# --- Steel and plans: the fields of the contract; more may stand beside them ------------------------------------


class Open(Told):
    model_config = ConfigDict(defer_build=True, extra="allow")


class Judged(Open):
    ideal_low_mm: float | None
    ideal_high_mm: float | None
    carbon_low: float | None = Field(description="percent")
    carbon_high: float | None = Field(description="percent")
    grades: list[dict[str, Any]] = Field(description="those that remain possible, with what speaks for and against")
    next_test: str
    warnings: list[str]


class LadderTold(Told):
    rungs: list[RungLine]
    judged: Judged | None
    reason: str = Field(description='why nothing follows from it; "" where something does')


class TestBand(FileTest):
    low_hrc: float | None = Field(description="null: open on that side")
    high_hrc: float | None


class Expected(Told):
    hardness_hrc: float | None
    low_hrc: float | None
    high_hrc: float | None
    model: str
    reason: str


class FileTestsTold(Told):
    tests: list[TestBand]
    teaching: int = Field(description="tests that teach: of a known temper, with a band closed on both sides")
    temperature_c: Celsius = Field(description="the temper of `before` and `now`")
    time_s: Seconds
    before: Expected | None = Field(description="expected without the tests")
    now: Expected | None


class TemperPlan(Open):
    hardness_hrc: float | None
    low_hrc: float | None = Field(description="of the 90 % band")
    high_hrc: float | None = Field(description="of the 90 % band")
    model: str
    warnings: list[str]
    sources: list[str]
    temperature_c: Celsius | None
    time_s: Seconds | None
    reason: str = Field(description='why a value is null; "" where none is')


class HardenPlan(Open):
    ac1_c: Celsius | None
    ac3_c: Celsius | None
    ms_c: Celsius | None
    ideal_diameter_mm: float | None
    critical_diameter_mm: float | None
    retained_austenite_fraction: float | None
    warnings: list[str]
    reasons: dict[str, str] = Field(description="why a value is null, by its name")


class QuenchPlan(Open):
    rise_k: float
    after_c: Celsius
    allowed: bool
    reasons: list[ProblemReason] = Field(description="why it is not allowed")


class SheetSection(Told):
    name: str
    title: str
    lines: list[str]


class SheetTold(Open):
    title: str
    wanted_hrc: float
    sections: list[SheetSection]
    program: dict[str, Any] | None = Field(description="as a start takes it; null where this oven cannot")


class UseTold(Open):
    name: str
    low_hrc: float
    high_hrc: float
    source: str


class Choices(Told):
    uses: list[UseTold]
    origins: list[str]
    media: list[str]
    one_file: list[str]


# --- Alerts ------------------------------------------------------------------------------------------------------


class AlertLine(Told):
    """`id` is the number of the event that it was made of."""

    id: int
    kind: str
    urgency: Literal["fire", "trip", "hand", "news"]
    headline: str
    text: str
    at: Rfc3339
    seen_at: Rfc3339 | None
    seen_by: str | None


class AlertChannelTold(Told):
    name: str
    waiting: int = Field(description="messages not sent yet")
    forgotten: int = Field(description="messages given up")
    failing: str = Field(description='what is wrong with it, a sentence; "" when it gets through')
    last_delivered_at: Rfc3339 | None


class AlertsTold(Told):
    alerts: list[AlertLine] = Field(description="the newest first")
    channels: list[AlertChannelTold]


class AlertSeen(Told):
    id: int
    seen: bool


class AlertTest(Told):
    channels: int = Field(description="how many were asked to send a test")


TABLES: dict[str, type[BaseModel]] = {
    table.__name__: table
    for table in (
        Problem, Status, Taken, RunTaken, ForecastTold, Paired, Device, Revoked, RehearsalState, RunLine, Run,
        EventLine, StockLine, PieceLine, OilProfile, SteelProfile, ProgramKeys, AlertsTold, AlertSeen, AlertTest,
        Margins, Piece, LadderTold, FileTestsTold, TemperPlan, HardenPlan, QuenchPlan, SheetTold, Choices,
    )
}  # fmt: skip
