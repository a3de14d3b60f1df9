"""The board twin's greeting, sessions, sequences and answers, at their limit values (design chapter 5)."""

from __future__ import annotations

import pytest

from tests.firmware.twin_rig import CONTACTOR, EVERYTHING, TRIP, Rig, bodies


def test_a_board_says_hello_once_after_its_boot() -> None:
    rig = Rig(boots=7, firmware=12)
    assert bodies(rig.board.transmit()) == [["B", "1", "12", "1", "7", "0"]]
    rig.pass_ms(10_000)
    assert [fields[0] for fields in rig.heard].count("B") == 0


def test_a_greeting_is_answered_with_what_the_board_is() -> None:
    rig = Rig(EVERYTHING, chip=31856, boots=3, firmware=9)
    hello, answer = rig.say("H,1,1")
    assert hello == ["B", "1", "9", "1", "3", "0"]
    sid = answer[4]
    assert 1 <= int(sid) <= 65535
    # layout: the number printed in the design; limits: the flash constants, 310.00 and 110.00 °C
    expected = f"H,1,9,56694,{sid},31856,31000,11000,31000,11000,11000,2047,1000"
    assert answer == expected.split(",")


def test_every_greeting_opens_a_new_session_and_limits_and_arming_stay() -> None:
    rig = Rig().ready()
    rig.run(1_000, oven=500)
    old = rig.sid
    assert rig.telemetry()["last_seq"] != 0
    greeting = rig.greet()
    assert greeting["sid"] not in (0, old)
    assert (greeting["oven_limit"], greeting["tank_off"], greeting["tank_limit"]) == (30_000, 9_000, 10_500)
    assert rig.board.armed
    assert not rig.board.contactor, "flags are 0 in a new session"
    seen = rig.telemetry()
    assert (seen["last_seq"], seen["sid"]) == (0, greeting["sid"])
    assert rig.duty(500, 0, sid=old, seq=1) == 2
    assert rig.duty(500, 0) == 0


def test_session_numbers_do_not_repeat_over_nearby_boots() -> None:
    rig = Rig()
    sids = set()
    for _ in range(8):
        for _ in range(50):
            sids.add(rig.greet()["sid"])
            rig.pass_ms(300)
        rig.board.power_cut()
        rig.board.power_on()
    assert len(sids) == 400
    assert min(sids) >= 1
    assert max(sids) <= 65535


@pytest.mark.parametrize(("lowest", "highest"), [(2, 2), (2, 255)])
def test_a_host_of_another_protocol_gets_no_session_and_ends_an_open_one(lowest: int, highest: int) -> None:
    rig = Rig().ready()
    rig.run(3_000, oven=1000)
    assert rig.board.oven_on
    assert rig.greet(lowest, highest)["sid"] == 0
    assert not rig.board.oven_on
    assert not rig.board.contactor
    assert rig.duty(500, 0, sid=0, seq=1) == 2, "no session has the number 0"
    assert rig.telemetry()["sid"] == 0


def test_a_host_that_speaks_our_protocol_among_others_gets_a_session() -> None:
    assert Rig().greet(1, 255)["sid"] > 0


@pytest.mark.parametrize(("ahead", "code"), [(0, 3), (1, 0), (1000, 0), (1001, 3), (65535, 3), (32768, 3)])
@pytest.mark.parametrize("start", [0, 500, 65_000])
def test_a_sequence_is_good_when_1_to_1000_ahead(start: int, ahead: int, code: int) -> None:
    rig = Rig()
    rig.greet()
    for seq in range(1000, start, 1000):
        assert rig.duty(seq=seq) == 0
        rig.pass_ms(10)
    if start:
        assert rig.duty(seq=start) == 0
    assert rig.duty(seq=(start + ahead) % 65536) == code
    assert rig.telemetry()["last_seq"] == ((start + ahead) % 65536 if code == 0 else start)


def test_s_and_l_share_one_sequence() -> None:
    rig = Rig()
    rig.greet()
    assert rig.duty(seq=1) == 0
    assert rig.limit(0, 30_000, seq=1) == 3
    assert rig.limit(0, 30_000, seq=2) == 0
    assert rig.duty(seq=2) == 3


@pytest.mark.parametrize("after", ["S", "H"])
def test_a_session_ends_2_s_after_the_last_good_s_or_the_greeting(after: str) -> None:
    rig = Rig().ready()
    if after == "S":
        rig.run(1_000, oven=1000)
        rig.duty(1000, 0)
    else:
        rig.greet()
    rig.pass_ms(1_999)
    assert rig.board.oven_on == (after == "S")
    assert rig.duty(seq=5_000) == 3, "the session is still there, only the sequence is wrong"
    rig.pass_ms(1)
    assert not rig.board.oven_on
    assert not rig.board.contactor
    assert rig.duty(500, 0) == 2
    assert rig.telemetry()["sid"] == 0


def test_bytes_of_an_ended_session_never_heat_again() -> None:
    rig = Rig().ready()
    rig.run(2_000, oven=1000)
    rig.pass_ms(2_500)
    for _ in range(20):
        assert rig.duty(1000, 1000) == 2
        rig.pass_ms(250)
    rig.greet()
    rig.board.take_on_s()
    assert rig.duty(1000, 0, sid=rig.sid - 1, seq=1) == 2
    rig.pass_ms(1_900)
    assert rig.board.take_on_s() == (0.0, 0.0)


def test_l_does_not_feed_the_dead_man() -> None:
    rig = Rig().ready()
    rig.run(250, oven=1000)
    for _ in range(7):
        assert rig.limit(0, 30_000) == 0
        rig.pass_ms(249)
    assert rig.limit(0, 30_000) == 0
    rig.pass_ms(7)
    assert rig.limit(0, 30_000) == 2


@pytest.mark.parametrize("code", [3, 1])
def test_a_refused_s_does_not_feed_the_dead_man(code: int) -> None:
    rig = Rig().ready()
    rig.duty(1000, 0)
    for _ in range(7):
        rig.pass_ms(249)
        assert (rig.duty(1000, 0, seq=rig.seq) if code == 3 else rig.duty(1001, 0)) == code
    rig.pass_ms(257)
    assert rig.duty(1000, 0) == 2


# --- the answers, in the tested order ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("oven", "tank", "flags", "code"),
    [
        (1000, 0, 4, 0), (1001, 0, 4, 1), (0, 1000, 4, 0), (0, 1001, 4, 1), (65535, 65535, 4, 1),
        (0, 0, 31 - TRIP, 0), (0, 0, 32, 1), (0, 0, 65535, 1), (1, 0, 32, 1),
    ],
)  # fmt: skip
def test_range_of_duty_and_flags(oven: int, tank: int, flags: int, code: int) -> None:
    assert Rig().ready().duty(oven, tank, flags) == code


@pytest.mark.parametrize(
    ("which", "limit", "code"),
    [
        (0, 2999, 1), (0, 3000, 0), (0, 31_000, 0), (0, 31_001, 1),
        (0, -1, 1), (0, -(2**31), 1), (0, 2**31 - 1, 1),
        (1, 2999, 1), (1, 3000, 0), (1, 11_000, 0), (1, 11_001, 1),
        (2, 2999, 1), (2, 3000, 0), (2, 11_000, 0), (2, 11_001, 1),
        (3, 5000, 1), (65535, 5000, 1),
    ],
)  # fmt: skip
def test_range_of_limits(which: int, limit: int, code: int) -> None:
    rig = Rig()
    before = rig.greet()
    assert rig.limit(which, limit) == code
    after = rig.greet()
    names = ("oven_limit", "tank_off", "tank_limit")
    for place, name in enumerate(names):
        assert after[name] == (limit if code == 0 and place == which else before[name])


@pytest.mark.parametrize(("fitted", "oven", "tank", "code"), [(3, 500, 0, 0), (3, 0, 1, 1), (3, 0, 0, 0),
                                                             (12, 1, 0, 1), (12, 0, 500, 0)])  # fmt: skip
def test_duty_for_a_zone_that_is_not_fitted_is_out_of_range(
    fitted: int, oven: int, tank: int, code: int
) -> None:
    assert Rig(fitted).ready().duty(oven, tank) == code


def test_a_limit_is_raised_only_while_its_zone_has_no_duty() -> None:
    rig = Rig().ready()
    rig.duty(300, 0)
    assert rig.limit(0, 30_001) == 1
    assert rig.limit(0, 30_000) == 0
    assert rig.limit(0, 29_000) == 0
    assert rig.limit(0, 30_000) == 1, "it was lowered"
    assert rig.limit(1, 9_500) == 0, "the tank has no duty"
    assert rig.limit(2, 11_000) == 0
    rig.duty(0, 300)
    assert rig.limit(0, 30_000) == 0
    assert rig.limit(1, 9_600) == 1
    assert rig.limit(2, 10_999) == 0
    assert rig.limit(2, 11_000) == 1
    rig.duty(0, 0)
    assert rig.limit(1, 9_600) == 0
    assert rig.limit(2, 11_000) == 0


def test_codes_come_in_their_order() -> None:
    """Each S would earn every later code as well; what comes first is answered."""
    rig = Rig()
    rig.until(500)
    rig.greet()
    rig.duty(0, 0, TRIP)
    wrong = rig.sid % 65535 + 1
    assert rig.board.trips == 512
    assert rig.duty(1001, 0, sid=wrong, seq=5_000) == 1
    assert rig.duty(1, 0, sid=wrong, seq=5_000) == 2
    assert rig.duty(1, 0, seq=5_000) == 3
    assert rig.duty(1, 0) == 4
    rig.hold_reset()
    assert rig.duty(1, 0) == 2, "nothing was said for more than two seconds"
    rig.greet()
    assert rig.duty(1, 0) == 5
    rig.press()
    assert rig.duty(1, 0) == 6
    rig.limit(0, 30_000)
    assert rig.duty(1, 0) == 0
    assert rig.duty(1, 1) == 6
    rig.limit(1, 9_000)
    assert rig.duty(0, 1) == 6
    rig.limit(2, 10_500)
    assert rig.duty(1, 1) == 0


def test_l_is_answered_in_the_same_order_and_knows_no_later_codes() -> None:
    rig = Rig()
    rig.greet()
    rig.duty(0, 0, TRIP)
    wrong = rig.sid % 65535 + 1
    assert rig.limit(3, 5_000, sid=wrong, seq=9_000) == 1
    assert rig.limit(2, 5_000, sid=wrong, seq=9_000) == 2
    assert rig.limit(2, 5_000, seq=9_000) == 3
    assert rig.limit(2, 5_000) == 0, "tripped and not armed: limits are still taken"


@pytest.mark.parametrize("how", ["range", "session", "sequence"])
@pytest.mark.parametrize("zero", [True, False])
def test_codes_1_2_3_change_nothing_but_two_zero_duties_end_the_heat(how: str, zero: bool) -> None:
    rig = Rig().ready()
    rig.run(2_000, oven=1000)
    rig.duty(1000, 0)
    assert rig.board.oven_on
    before = rig.seq
    duty = 0 if zero else 7
    flags = 99 if how == "range" else 0
    code = rig.duty(
        duty,
        0,
        flags,
        sid=rig.sid + 1 if how == "session" else None,
        seq=before if how == "sequence" else before + 1,
    )
    assert code == {"range": 1, "session": 2, "sequence": 3}[how]
    assert rig.board.oven_on != zero
    assert rig.board.contactor, "the flags did not act"
    assert rig.telemetry()["last_seq"] == before
    rig.pass_ms(1_200)
    assert rig.board.oven_on != zero


@pytest.mark.parametrize("code", [4, 5, 6])
def test_codes_4_5_6_take_both_duties_while_flags_sequence_and_dead_man_act(code: int) -> None:
    rig = Rig(EVERYTHING)
    rig.board.agitator_turning = True
    rig.ready()
    if code == 6:
        rig = Rig()
        rig.until(500)
        rig.greet()
        rig.limit(0, 30_000)
        rig.press()
    rig.run(2_000, oven=400)
    if code == 4:
        assert rig.duty(400, 1, TRIP | 2) == 4
    elif code == 5:
        rig.board.stop_closed = False
        rig.pass_ms(20)
        rig.board.stop_closed = True
        rig.pass_ms(20)
        rig.greet()
        assert rig.board.trips == 16
        rig.hold_reset()
        rig.greet()
        assert rig.duty(400, 1, 2) == 5
    else:
        assert rig.duty(400, 1, CONTACTOR | 2) == 6
    assert rig.board.outputs & 16, "the agitator flag acts"
    assert rig.telemetry()["last_seq"] == rig.seq
    rig.run(1_900, 0, 0, CONTACTOR)
    assert rig.duty(0, 0) == 0
    rig.board.take_on_s()
    rig.pass_ms(1_990)
    assert rig.duty(0, 0) == 0
    assert rig.board.take_on_s() == (0.0, 0.0)
