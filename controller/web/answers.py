"""What the service answers, described for the OpenAPI document only.

Nothing is validated or built from these tables when a request is answered: the answers are plain values, encoded
once by our own encoder. This module is read when somebody asks for the document.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from controller.profiles.oils import OilProfile
from controller.profiles.programs import ProgramKeys

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
    refuses: Literal["frames", "limits", "duty"] | None = Field(
        description="what it has not taken for ten seconds although it is heard"
    )


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


class Remark(Told):
    code: Literal["again", "second", "fills", "oil_enough"]
    text: str = Field(description="a sentence for whoever quenched")


class QuenchTaken(Taken):
    remarks: list[Remark] = Field(description="what there is to say of a quench that was taken; mostly empty")


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
        Problem, Status, Taken, RunTaken, QuenchTaken, ForecastTold, Paired, Device, Revoked, RehearsalState, RunLine,
        Run, EventLine, OilProfile, ProgramKeys, AlertsTold, AlertSeen, AlertTest,
        Margins,
    )
}  # fmt: skip
