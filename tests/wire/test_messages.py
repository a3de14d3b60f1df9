"""Messages: the layout number, the strict form of numbers, and values that do not fit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.model import Telemetry
from controller.sim.board_frames import FrameReader
from controller.wire import messages
from controller.wire.frames import encode
from controller.wire.messages import AnswerMessage, BootMessage, HelloMessage, parse

HELLO = b"H,1,1,56694,4100,31855,31000,11000,29000,8500,9000,1951,1000"
TELEMETRY = b"T,19,5000,4100,2025,-2000,2000,2025,2000,2400,-OGVX,6,0,0,0,0,0,0,0,21,250,0,0"


def test_the_layout_number_is_that_of_the_protocols_text() -> None:
    # The protocol's own text gives this number for version 1.
    assert messages.LAYOUT == 56694


def test_whole_messages() -> None:
    assert parse(b"A,7,0") == AnswerMessage(7, 0)
    assert parse(b"B,1,2,3,4,5") == BootMessage(1, 2, 3, 4, 5)
    assert parse(HELLO) == HelloMessage(1, 1, 56694, 4100, 31855, 31000, 11000, 29000, 8500, 9000, 1951, 1000)
    found = parse(TELEMETRY)
    assert isinstance(found, Telemetry)
    assert (found.oven_limit, found.faults, found.age_ms) == (-2000, "-OGVX", 250)


@pytest.mark.parametrize(
    "field", [b"", b"+1", b"01", b"-0", b" 1", b"1 ", b"1.0", b"0x1", b"-1", b"65536", b"1e3", b"99999999999999999999"]
)
def test_a_number_in_any_other_form_is_refused(field: bytes) -> None:
    assert parse(b"A," + field + b",0") is None
    assert parse(b"B,1,2,3,4," + field) is None
    assert parse(TELEMETRY.replace(b",21,250", b"," + field + b",250")) is None


@pytest.mark.parametrize("field", [b"-0", b"+5", b"2147483648", b"-2147483649", b"--1", b"05"])
def test_a_signed_number_in_any_other_form_is_refused(field: bytes) -> None:
    assert parse(TELEMETRY.replace(b"-2000", field)) is None
    assert parse(HELLO.replace(b"29000", field)) is None


@pytest.mark.parametrize("field", [b"-2147483648", b"2147483647", b"0", b"-1"])
def test_signed_numbers_that_fit(field: bytes) -> None:
    assert parse(TELEMETRY.replace(b"-2000", field)) is not None


def test_the_milliseconds_are_32_bits() -> None:
    assert parse(TELEMETRY.replace(b",5000,", b",4294967295,")) is not None
    assert parse(TELEMETRY.replace(b",5000,", b",4294967296,")) is None


@pytest.mark.parametrize(
    "body", [b"", b"A", b"A,", b"A,1", b"A,1,2,3", b"Z,1", b"a,1,0", TELEMETRY[:-2], TELEMETRY + b",0"]
)
def test_another_count_of_fields_or_type_is_refused(body: bytes) -> None:
    assert parse(body) is None


@pytest.mark.parametrize("faults", [b"----", b"------", b"-----x", b"abcde", b"--- -"])
def test_fault_letters_are_five_of_the_known(faults: bytes) -> None:
    assert parse(TELEMETRY.replace(b"-OGVX", faults)) is None


@given(st.binary(max_size=120))
def test_nothing_raises(body: bytes) -> None:
    parse(body)
    parse(b"T," + body)
    parse(b"H," + body)


# The numbers that fit, by chapter "The wire": signed fields have 32 bits, `ms` 32 without a sign, all others 16.
SIGNED = (-(2**31), 2**31 - 1)
WORD = (0, 65535)
ANSWER_RANGES = [WORD] * 2
BOOT_RANGES = [WORD] * 5
HELLO_RANGES = [WORD] * 5 + [SIGNED] * 5 + [WORD] * 2
TELEMETRY_RANGES = [WORD, (0, 2**32 - 1), WORD, *[SIGNED] * 6, None, *[WORD] * 12]
SHAPES: list[tuple[bytes, type, list[tuple[int, int] | None]]] = [
    (b"A", AnswerMessage, [*ANSWER_RANGES]),
    (b"B", BootMessage, [*BOOT_RANGES]),
    (b"H", HelloMessage, [*HELLO_RANGES]),
    (b"T", Telemetry, TELEMETRY_RANGES),
]
WORDS = st.integers(*WORD)
FAULTS = st.text("-OGVRXN", min_size=5, max_size=5)


def written(kind: bytes, values: list[int | str]) -> bytes:
    return b",".join([kind, *(str(value).encode() for value in values)])


@pytest.mark.parametrize(("kind", "made", "ranges"), SHAPES)
@given(data=st.data())
def test_what_a_board_writes_is_read(
    kind: bytes, made: type, ranges: list[tuple[int, int] | None], data: st.DataObject
) -> None:
    values: list[int | str] = [data.draw(FAULTS if span is None else st.integers(*span)) for span in ranges]
    found = parse(written(kind, values))
    assert type(found) is made
    assert list(found) == values


@pytest.mark.parametrize(("kind", "made", "ranges"), SHAPES)
def test_each_field_has_its_width_and_its_form(kind: bytes, made: type, ranges: list[tuple[int, int] | None]) -> None:
    plain: list[int | str] = ["-----" if span is None else 7 for span in ranges]
    assert type(parse(written(kind, plain))) is made
    for place, span in enumerate(ranges):
        if span is None:
            continue
        lowest, highest = span

        def with_field(field: int | str, at: int = place) -> bytes:
            return written(kind, [*plain[:at], field, *plain[at + 1 :]])

        assert parse(with_field(lowest)) is not None, place
        assert parse(with_field(highest)) is not None, place
        assert parse(with_field(lowest - 1)) is None, place
        assert parse(with_field(highest + 1)) is None, place
        for field in ("", "+7", "07", "00", "-0", " 7", "7 ", "7.0", "0x7", "7e1", "\u0667", "7_0", "9" * 30, "-----"):
            assert parse(with_field(field)) is None, (place, field)


@given(WORDS, WORDS, WORDS, WORDS, WORDS, st.integers(*SIGNED))
def test_what_the_host_writes_the_board_reads(sid: int, seq: int, one: int, two: int, flags: int, limit: int) -> None:
    reader = FrameReader()
    sent = encode(messages.set_body(sid, seq, one, two, flags)) + encode(messages.limit_body(sid, seq, one, limit))
    assert reader.receive(sent, 0) == [("S", (sid, seq, one, two, flags)), ("L", (sid, seq, one, limit))]
    assert len(sent) <= 2 * 180


def test_the_board_reads_the_greeting() -> None:
    assert FrameReader().receive(encode(messages.greet_body(1, 255)), 0) == [("H", (1, 255))]


@pytest.mark.parametrize(
    ("body", "found"),
    [
        (b"H,1,7,56695,12,some,other,fields", (1, 56695)),
        (b"H,2,7,56694", (2, 56694)),
        (b"H,1,1", None),
        (b"H,x,7,56695", None),
        (b"H,1,7,056695,1", None),
        (b"T,1,7,56695,1", None),
    ],
)
def test_a_greeting_of_another_form_still_tells_its_layout(body: bytes, found: tuple[int, int] | None) -> None:
    assert parse(body) is None
    assert messages.foreign_hello(body) == found
