"""Telemetry, counters, bad frames and a full transmit buffer of the board twin (design chapter 5)."""

from __future__ import annotations

import random

import pytest

from tests.firmware.twin_rig import EVERYTHING, Rig, bodies, crc, frame


def bad(rig: Rig) -> int:
    return int(rig.telemetry()["bad_frames"])


def test_the_bench_computes_the_check_value_of_the_design() -> None:
    assert crc(b"123456789") == 0x29B1


@pytest.mark.parametrize("session", [False, True])
def test_telemetry_comes_4_times_a_second_always(session: bool) -> None:
    rig = Rig()
    if session:
        rig.greet()
    rig.pass_ms(249)
    rig.heard.clear()
    rig.pass_ms(1)
    assert [fields[0] for fields in rig.heard] == ["T"]
    rig.pass_ms(9_750)
    assert len(rig.heard) == 40
    assert [int(fields[1]) for fields in rig.heard] == list(range(40))
    assert [int(fields[2]) for fields in rig.heard] == list(range(250, 10_001, 250))


def test_telemetry_goes_on_with_a_trip_a_wrong_host_and_a_flood() -> None:
    rig = Rig()
    rig.board.stop_closed = False
    rig.greet(9, 9)
    for _ in range(80):
        rig.board.receive(b"!S,1" * 5)
        rig.pass_ms(25)
    assert [fields[0] for fields in rig.heard].count("T") == 8


def test_a_telemetry_frame_field_by_field() -> None:
    rig = Rig(EVERYTHING)
    rig.values = [20_512, 20_431, -150, 6_212, 19_975]
    rig.cold = 2_363
    rig.until(500)
    sid = rig.greet()["sid"]
    rig.limits()
    rig.press(110)
    rig.duty(0, 0, 1 | 2 | 4)
    rig.until(750)
    assert rig.heard[-1] == (
        f"T,2,750,{sid},20512,20431,-150,6212,19975,2363,-----,{2 + 4 + 32 + 64},{4 + 8 + 16},0,0,0,899,1,0,4,90,0,0"
    ).split(",")


def test_the_millisecond_counter_wraps_at_2_to_the_32() -> None:
    rig = Rig(start_ms=2**32 - 500)
    rig.pass_ms(1_000)
    assert [int(fields[2]) for fields in rig.heard if fields[0] == "T"] == [2**32 - 250, 0, 250, 500]


def test_all_rules_work_across_the_wrap() -> None:
    rig = Rig(start_ms=2**32 - 3_000).ready()
    rig.run(1_900, 1000)
    assert rig.board.oven_on
    assert rig.board.armed
    rig.duty(1000, 0)
    rig.pass_ms(1_999)
    assert rig.board.oven_on
    rig.pass_ms(1)
    assert not rig.board.oven_on
    assert int(rig.telemetry()["ms"]) < 5_000


def test_a_later_boot_counts_from_0() -> None:
    rig = Rig(start_ms=1_000_000)
    rig.board.power_cut()
    rig.board.power_on()
    assert rig.telemetry()["ms"] == 250


def test_the_age_of_the_last_good_s_saturates() -> None:
    rig = Rig()
    rig.until(65_500)
    assert rig.telemetry()["age_ms"] == 65_535
    assert rig.telemetry()["age_ms"] == 65_535
    rig.greet()
    assert rig.telemetry()["age_ms"] == 65_535, "a greeting is no S"
    rig.duty(0, 0)
    assert rig.telemetry()["age_ms"] == 250


def test_counters_of_16_bits_wrap() -> None:
    rig = Rig()
    for _ in range(300):
        rig.board.receive(b"!" * 220)
    assert bad(rig) == (300 * 220) % 65536


def test_inputs_that_are_not_fitted_read_safe() -> None:
    rig = Rig(fitted=1)
    rig.board.door_open = True
    rig.board.smoke = True
    rig.board.level_good = False
    rig.board.agitator_turning = False
    rig.pass_ms(1_000)
    assert rig.telemetry()["inputs"] == 2 + 4 + 8
    assert rig.board.trips == 0


@pytest.mark.parametrize(
    ("contact", "bit", "settle"),
    [
        ("door_open", 1, 100), ("stop_closed", 2, 20), ("level_good", 4, 100), ("agitator_turning", 8, 100),
        ("smoke", 16, 100), ("arm_button", 64, 100), ("reset_button", 128, 100),
    ],
)  # fmt: skip
def test_contacts_are_debounced(contact: str, bit: int, settle: int) -> None:
    for lasts, seen in ((settle - 1, False), (settle, True)):
        rig = Rig(EVERYTHING)
        rig.until(500)
        before = int(rig.telemetry()["inputs"]) & bit
        at = 1_000 - lasts
        rig.until(at)
        setattr(rig.board, contact, not getattr(rig.board, contact))
        now = rig.telemetry()
        assert now["ms"] == 1_000
        assert (int(now["inputs"]) & bit != before) == seen


@pytest.mark.parametrize(
    ("contact", "bit", "safe", "every_ms", "trip"),
    [
        ("stop_closed", 2, True, 10, 16), ("stop_closed", 2, True, 19, 16), ("smoke", 16, False, 90, 64),
        ("level_good", 4, True, 99, 32), ("door_open", 1, False, 90, 0), ("agitator_turning", 8, True, 90, 0),
    ],
)  # fmt: skip
def test_a_contact_that_flutters_is_not_safe_after_half_a_second(
    contact: str, bit: int, safe: bool, every_ms: int, trip: int
) -> None:
    rig = Rig(EVERYTHING)
    rig.board.agitator_turning = True
    rig.ready()
    rig.run(2_000, 500, 500)
    start, unsafe = rig.board.uptime_ms, 0 if safe else bit
    assert start % 250 == 0
    seen = []
    for half in (250, 500):
        while rig.board.uptime_ms < start + half:
            setattr(rig.board, contact, not getattr(rig.board, contact))
            rig.until(min(rig.board.uptime_ms + every_ms, start + half))
        frame = next(fields for fields in reversed(rig.heard) if fields[0] == "T")
        seen.append((int(frame[2]) - start, int(frame[11]) & bit == unsafe, int(frame[15])))
    assert seen == [(250, False, 0), (500, True, trip)]
    setattr(rig.board, contact, safe)
    rig.pass_ms(200)
    assert (int(rig.telemetry()["inputs"]) & bit == unsafe) is False


def test_a_contact_that_flutters_for_less_or_stands_still_now_and_then_is_believed() -> None:
    rig = Rig(EVERYTHING)
    rig.ready()
    rig.run(1_000, 500, 0)
    for turn in range(47):
        rig.board.stop_closed = turn % 2 == 1
        rig.pass_ms(10)
    rig.board.stop_closed = True
    rig.pass_ms(20)
    for _ in range(20):
        for closed in (False, True, False, True):
            rig.board.stop_closed = closed
            rig.pass_ms(8)
        rig.pass_ms(20)
    assert rig.board.trips == 0
    assert int(rig.telemetry()["inputs"]) & 2


def test_a_6675_has_no_cold_junction() -> None:
    rig = Rig(chip=6675)
    assert rig.telemetry()["cold"] == 0
    assert rig.greet()["chip"] == 6675


def test_fault_letters_are_passed_on_and_the_values_hidden() -> None:
    rig = Rig()
    rig.values = [111, 222, 333, 444, 555]
    rig.faults = list("O-GRX")
    seen = rig.telemetry()
    assert seen["faults"] == "O-GRX"
    assert [seen[name] for name in ("oven", "oven_limit", "tank", "tank_limit", "part")] == [0, 222, 0, 0, 0]


def test_letters_the_wire_does_not_know_are_refused() -> None:
    rig = Rig()
    rig.faults = list("?----")
    with pytest.raises(ValueError, match="not five of -OGVRXN"):
        rig.pass_ms(200)


def test_time_does_not_go_back() -> None:
    with pytest.raises(ValueError, match="go back by 1 ms"):
        Rig().pass_ms(-1)


# --- bad frames -------------------------------------------------------------------------------------------

GOOD = frame("H,1,1")


@pytest.mark.parametrize(
    "body",
    [
        "H,1", "H,1,1,1", "H,0,1", "H,1,256", "H,2,1", "H,01,1", "H, 1,1", "H,+1,1", "H,-1,1",
        "H,1,", "H,,1", "H", "S,1,1,0,0", "S,1,1,0,0,0,0", "S,65536,1,0,0,0", "S,1,65536,0,0,0",
        "S,1,1,65536,0,0", "S,1,1,0,65536,0", "S,1,1,0,0,65536", "S,1,1,-64536,0,0", "S,1,1,-1,0,0",
        "S,1,1,1e3,0,0", "S,1,1,0x9,0,0", "S,1,1,0,0,00", "S,1,1,0,0,-0",
        "S,1,1,99999999999999999999,0,0", "S,1,1,0,0,0 ", "S,1,1,0.5,0,0", "s,1,1,0,0,0", "L,1,1,0",
        "L,1,1,0,2147483648", "L,1,1,0,-2147483649", "L,1,1,-1,5000", "L,1,1,65536,5000",
        "L,1,1,0,--5", "L,1,1,0,-0", "", ",", "X,1", "B,1,1,1,1,0", "T", "A,1,0", "HH,1,1", "H,1,1\r",
        "H,1,1\x00", "H,1,1\x7f", "H,1,\u00e9", "H,1,1*", "H,1,1*0000", "S,1,1,0,0,3*junk\x01", "S,1,1,0,0,3*1,2,3",
        "L,1,1,0,5000*6", "*",
    ],
)  # fmt: skip
def test_a_bad_frame_gets_no_reply_and_is_counted(body: str) -> None:
    rig = Rig()
    rig.pass_ms(100)
    assert rig.say(body) == [] or body == "H,1,\u00e9"
    assert bad(rig) == 1


@pytest.mark.parametrize(
    ("data", "count"),
    [
        (GOOD, 0),
        (b"noise without a start\n*1234\n", 0),
        (b"\x00\xff\xfe" + GOOD, 0),
        (GOOD + b"tail*0000\n", 0),
        (b"!" + GOOD, 1),
        (b"!!!!" + GOOD, 4),
        (b"!H,1,1*" + GOOD, 1),
        (GOOD[:-1], 1),
        (GOOD[:-1] + b"\r\n", 1),
        (GOOD[:-3] + b"\n", 1),
        (GOOD.replace(b"*", b"#"), 1),
        (GOOD.replace(b"*", b"**"), 1),
        (GOOD.replace(b"1,1", b"1,2"), 1),
        (GOOD[:-5] + GOOD[-5:].lower(), 1 if GOOD[-5:].lower() != GOOD[-5:] else 0),
        (b"!" + b"0" * 178 + b"\n", 1),
        (b"!" + b"0" * 500 + b"\n", 1),
        (b"!" + b"0" * 500 + b"\n" + GOOD, 1),
    ],
)
def test_bad_frames_count_one_for_each_start_that_did_not_become_a_frame(data: bytes, count: int) -> None:
    for step in (len(data), 1):
        rig = Rig()
        rig.pass_ms(100)
        rig.board.transmit()
        for place in range(0, len(data), step):
            rig.board.receive(data[place : place + step])
        answers = bodies(rig.board.transmit())
        assert [fields[0] for fields in answers] == (["B", "H"] if GOOD in data else [])
        assert bad(rig) == count


@pytest.mark.parametrize(("silence", "answered"), [(49, True), (50, False)])
@pytest.mark.parametrize("cut", range(1, len(GOOD)))
def test_50_ms_of_silence_drop_half_a_frame(silence: int, answered: bool, cut: int) -> None:
    rig = Rig()
    rig.until(10)
    rig.board.transmit()
    rig.board.receive(GOOD[:cut])
    rig.pass_ms(silence)
    rig.board.receive(GOOD[cut:])
    assert (len(bodies(rig.board.transmit())) == 2) == answered
    assert bad(rig) == (0 if answered else 1)


def test_every_flipped_bit_of_an_s_is_a_bad_frame_or_no_frame() -> None:
    rig = Rig().ready()
    good = frame(f"S,{rig.sid},{rig.seq + 1},1000,0,4")
    for place in range(len(good)):
        for bit in range(8):
            flipped = bytearray(good)
            flipped[place] ^= 1 << bit
            rig.board.receive(bytes(flipped))
    rig.pass_ms(60)
    assert [fields for fields in rig.heard if fields[0] == "A"][-1][1] == str(rig.seq)
    assert int(rig.telemetry()["last_seq"]) == rig.seq


def test_random_bytes_raise_nothing_and_never_heat() -> None:
    seed = 20_031
    print("seed", seed)
    chance = random.Random(seed)
    rig = Rig().ready()
    rig.board.take_on_s()
    rig.pass_ms(60)
    for _ in range(200):
        rig.board.receive(chance.randbytes(500).replace(b"\x07", b"!"))
        rig.board.advance(5, rig.sense)
        rig.board.transmit()
    assert rig.board.take_on_s() == (0.0, 0.0)
    assert bad(rig) > 100


# --- the transmit buffer ----------------------------------------------------------------------------------


def test_a_full_transmit_buffer_loses_whole_frames() -> None:
    rig = Rig()
    rig.greet()
    rig.pass_ms(200)
    answers = rig.say(*(f"S,{rig.sid},{seq},0,0,0" for seq in range(1, 101)))
    assert 10 < len(answers) < 100
    assert answers == [["A", str(seq), "0"] for seq in range(1, len(answers) + 1)]
    assert rig.telemetry()["last_seq"] == 100, "what is not answered acts all the same"


def test_a_greeting_that_cannot_be_answered_opens_no_session() -> None:
    rig = Rig()
    rig.greet()
    rig.pass_ms(200)
    rig.say(*(f"S,{rig.sid},{seq},0,0,0" for seq in range(1, 101)))
    assert rig.say("H,1,1") == []
    assert rig.telemetry()["sid"] == rig.sid
    rig.pass_ms(500)
    assert len(rig.say("H,1,1")) == 2


def test_the_longest_telemetry_fits_into_a_frame() -> None:
    rig = Rig(EVERYTHING, start_ms=2**32 - 300)
    rig.values = [-20_000] * 5
    rig.cold = -2_000
    longest = 0
    rig.pass_ms(1_000)
    for fields in rig.heard:
        longest = max(longest, len(",".join(fields)) + 7)
    assert longest <= 180
    widest = "T,65535,4294967295,65535," + "-27000," * 6 + "-----,255,31,65535,65535,1023,900" + ",65535" * 6
    assert len(widest) + 7 <= 180
