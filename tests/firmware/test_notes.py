"""The notes of the wire agree with the code, and the vectors with what was worked out from the rules."""

from __future__ import annotations

import csv

import pytest

from tests.firmware.make_notes import COLUMNS, NOTES, vectors, wire

HELLO = "B,1,{firmware},1,1,0"
H = "H,1,{firmware},56694,{sid},31855,31000,11000,31000,11000,11000,31,1000"
GREETED = (HELLO, HELLO, H)
READY = (*GREETED, "A,1,0", "A,2,0", "A,3,0")

BY_HAND: dict[str, tuple[str, ...]] = {
    "greeting": (
        "B,1,{firmware},1,3,0",
        "B,1,{firmware},1,3,0", H, "sid={sid} last_seq=0 trips=0",
        "B,1,{firmware},1,3,0", H,
    ),
    "other protocol": (
        *GREETED, "A,1,0", HELLO, H.replace("{sid}", "0"), "A,2,2", "A,3,2", "sid=0",
    ),
    "answer codes": (
        *GREETED, "A,1,0", "A,5000,1", "A,5000,2", "A,5000,3", "A,2,4", "trips=0 resets=1",
        HELLO, H, "A,1,5", "A,2,6", "A,3,0", "A,4,0", "A,5,6", "A,6,0", "A,7,0", "A,8,0", "A,9,0",
    ),
    "range of S": (
        HELLO, HELLO, H.replace(",31,1000", ",3,1000"),
        "A,1,0", "A,2,1", "A,2,1", "A,2,1", "A,2,1", "A,2,0",
    ),
    "range of L": (
        *GREETED, "A,1,1", "A,1,1", "A,1,1", "A,1,1", "A,1,1", "A,1,1", "A,1,0", "A,2,0", "A,3,0", "A,4,0",
        HELLO, "H,1,{firmware},56694,{sid},31855,31000,11000,31000,3000,11000,31,1000",
    ),
    "raised limit": (
        *READY, "A,4,0", "A,5,1", "A,5,0", "A,6,0", "A,7,1", "A,7,0", "A,8,0", "A,9,0",
    ),
    "sequence window": (
        *GREETED, "A,0,3", "A,1001,3", "A,1000,0", "A,1000,3", "A,1000,3", "A,1001,0", "A,999,3", "A,33769,3",
        "A,2001,0", "last_seq=2001",
    ),
    # one wrong CRC, one half frame, three starts, ten bad bodies, one frame that is too long
    "bad frames": (HELLO, *[""] * 15, "bad_frames=16"),
    "half a frame": (HELLO, "", HELLO, H, "", "", "bad_frames=1"),
    "session end": (
        *READY, "A,4,0", "4", "A,5,0", "4", "0", "A,6,2", "sid=0",
        HELLO, "H,1,{firmware},56694,{sid},31855,31000,11000,29000,9000,10500,31,1000",
        "A,1,0", "A,2,0", "A,3,2",
    ),
    "duties": (*READY, "A,4,0", "A,5,0", "5", "A,5,3", "4", "A,6,0", "A,7,0", "5", "A,1,2", "4"),
    "window": (*READY, "A,4,0", "A,5,0", "5", "4", "6", "A,6,0", "0"),
    "arming": (
        HELLO, "inputs=14 arms=0 arm_left_s=0", "inputs=12 arms=1 trips=16", "inputs=14 trips=0 resets=1",
        "inputs=46 arms=2 trips=0",
    ),
    "arm button held since the boot": (HELLO, "inputs=78 arms=0", "inputs=110 arms=1"),
    "arming and silence": (
        HELLO, "inputs=46", "inputs=14", "inputs=14 arms=2", HELLO, H, "A,1,0", "inputs=46 arms=3",
    ),
    "over limit": (
        *READY, "trips=0 oven=29999", "trips=1 inputs=14", "trips=1 resets=1", "trips=0 resets=2",
    ),
    "heater-off of the tank": (
        *READY, "A,4,0", "A,5,0", "6", "4", "trips=0", "A,6,0", "A,7,0", "4", "A,8,0", "6",
    ),
    "bad sensor": (
        *READY, "A,4,0", "5", "A,5,0", "4", "trips=4 faults=-O--- oven_limit=0 outputs=0",
    ),
    "bad sensor without heat": (HELLO, "trips=0 faults=X---- oven=0"),
    "host trip": (
        *GREETED, "A,1,0", "trips=512", "B,1,{firmware},1,2,512", "trips=512",
        "B,1,{firmware},1,2,512", H, "A,1,0",
        "trips=0 resets=1", "A,2,0", "trips=512 resets=1",
    ),
    "stop circuit": (*READY, "A,4,0", "A,5,0", "5", "0", "trips=16 inputs=14", "A,6,4"),
    "contactor": (*GREETED, "A,1,0", "A,2,0", "0", "4", "A,3,0", "0"),
    "damaged record": ("B,1,{firmware},1,1,256", "trips=256", "trips=0"),
    "one damaged slot": ("B,1,{firmware},1,1,320", "trips=320"),
}  # fmt: skip
"""What each case must bring, written down from the rules of the wire and not from the twin."""

ANSWERS = ("reply", "no reply", "pins", "telemetry")


def committed() -> dict[str, list[list[str]]]:
    with (NOTES / "vectors.csv").open(newline="") as file:
        head, *rows = csv.reader(file)
    assert tuple(head) == COLUMNS
    cases: dict[str, list[list[str]]] = {}
    for case, *rest in rows:
        cases.setdefault(case, []).append(rest)
    return cases


def test_the_committed_vectors_are_what_the_twin_answers() -> None:
    assert (NOTES / "vectors.csv").read_text() == vectors(), "run python -m tests.firmware.make_notes"


def test_the_committed_text_has_the_tables_of_the_code() -> None:
    text = (NOTES / "wire.md").read_text()
    assert text == wire(text), "run python -m tests.firmware.make_notes"


@pytest.mark.parametrize("case", BY_HAND)
def test_a_case_brings_what_the_rules_say(case: str) -> None:
    assert tuple(value for _, what, value in committed()[case] if what in ANSWERS) == BY_HAND[case]


def test_every_case_was_worked_out_by_hand() -> None:
    assert set(committed()) == set(BY_HAND)


def test_times_never_go_back() -> None:
    for case, rows in committed().items():
        times = [int(at) for at, _, _ in rows]
        assert times == sorted(times), case
