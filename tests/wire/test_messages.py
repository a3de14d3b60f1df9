"""Messages: the layout number, the strict form of numbers, and values that do not fit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.model import Telemetry
from controller.wire import messages
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


@given(st.integers(0, 65535), st.integers(0, 65535))
def test_what_is_written_is_read(seq: int, code: int) -> None:
    assert parse(b"A,%d,%d" % (seq, code)) == AnswerMessage(seq, code)
