"""The release binary's receiver and parser: overruns, floods, noise, half frames, numbers at 16 bits' edges."""

from __future__ import annotations

import re
from itertools import pairwise
from random import Random

import pytest

from controller.sim.board_frames import FrameReader
from tests.firmware.emulator.machine import CYCLES_A_MS
from tests.firmware.emulator.rig import Bench, on_after_ms
from tests.firmware.twin_rig import CONTACTOR, crc, frame

# How a body is answered with session {sid} open at sequence 10: code, or None for a bad frame.
PARSER = (
    ("S,{sid},11,0,0,0", 0), ("S,{sid},11,1000,0,4", 0), ("S,{sid},11,1001,0,4", 1), ("S,{sid},11,0,65535,0", 1),
    ("S,{sid},11,32768,0,0", 1), ("S,{sid},11,65535,65535,65535", 1), ("S,{sid},11,0,0,31", 0),
    ("S,{sid},11,0,0,32", 1), ("S,{sid},11,0,0,65535", 1), ("S,65535,11,0,0,0", 2), ("S,0,11,0,0,0", 2),
    ("S,{sid},1010,0,0,0", 0), ("S,{sid},1011,0,0,0", 3), ("S,{sid},10,0,0,0", 3), ("S,{sid},65535,0,0,0", 3),
    ("S,{sid},11,65536,0,0", None), ("S,{sid},11,-64536,0,0", None), ("S,{sid},11,66536,0,0", None),
    ("S,{sid},11,4294967296,0,0", None), ("S,{sid},11,4294968296,0,4", None), ("S,{sid},11,-0,0,0", None),
    ("S,{sid},11,-1,0,0", None), ("S,{sid},11,00,0,0", None), ("S,{sid},11,01,0,0", None),
    ("S,{sid},11,+1,0,0", None), ("S,{sid},11, 1,0,0", None), ("S,{sid},11,1 ,0,0", None),
    ("S,{sid},11,0x1,0,0", None), ("S,{sid},11,1.0,0,0", None), ("S,{sid},11,1e2,0,0", None),
    ("S,{sid},11,,0,0", None), ("S,{sid},11,0,0", None), ("S,{sid},11,0,0,0,", None), ("S,{sid},11,0,0,0,0", None),
    ("S{sid},11,0,0,0", None), ("S", None), ("s,{sid},11,0,0,0", None), ("X,1", None), ("", None),
    ("SS,1,1,1,1,1", None),
    ("L,{sid},11,0,3000", 0), ("L,{sid},11,0,2999", 1), ("L,{sid},11,0,31000", 0), ("L,{sid},11,0,31001", 1),
    ("L,{sid},11,1,11000", 0), ("L,{sid},11,1,11001", 1), ("L,{sid},11,2,11000", 0), ("L,{sid},11,3,9000", 1),
    ("L,{sid},11,65535,9000", 1), ("L,{sid},11,0,-3000", 1), ("L,{sid},11,0,2147483647", 1),
    ("L,{sid},11,0,-2147483648", 1), ("L,{sid},11,0,2147483648", None), ("L,{sid},11,0,-2147483649", None),
    ("L,{sid},11,0,68536", 1), ("L,{sid},11,0,4294970296", None), ("L,{sid},11,0,-62536", 1),
    ("L,{sid},11,0,-0", None), ("L,{sid},11,0,--1", None), ("L,{sid},11,0,-", None), ("L,{sid},11,0,03000", None),
    ("L,{sid},11,-1,3000", None), ("L,{sid},11,0,3000,0", None), ("L,{sid},11,0,99999999999999999999", None),
    ("H,0,1", None), ("H,1,256", None), ("H,2,1", None), ("H,1", None), ("H,1,1,1", None), ("H,-1,1", None),
    ("H,1,65537", None), ("H,257,257", None),
)  # fmt: skip


@pytest.fixture(scope="module")
def tenth(ready: Bench) -> Bench:
    """A board at sequence 10 of its session."""
    while ready.seq < 10:
        assert ready.duty() == 0
    return ready


def test_the_parser_takes_what_fits_and_nothing_else(tenth: Bench) -> None:
    board = tenth.board
    for body, code in PARSER:
        text = body.replace("{sid}", str(tenth.sid))
        with tenth.branch():
            before = tenth.telemetry()
            answers = tenth.say_raw(frame(text), 1)
            if code is None:
                assert answers == [], text
                after = tenth.telemetry()
                assert after["bad_frames"] == int(str(before["bad_frames"])) + 1, text
                assert after["last_seq"] == before["last_seq"] == 10, text
                assert not board.heating
            else:
                seq = text.split(",")[2]
                assert answers == [["A", seq, str(code)]], (text, answers)


def test_every_flipped_bit_of_a_frame_makes_it_bad(tenth: Bench) -> None:
    """One board hears them all: none is answered but the frames whose `!` or line feed merely moved."""
    whole = frame(f"S,{tenth.sid},11,1000,0,4")
    with tenth.branch():
        tenth.stream(250, flags=CONTACTOR)
        seq = tenth.seq
        answered = []
        for place in range(len(whole)):
            for bit in range(8):
                spoilt = bytearray(frame(f"S,{tenth.sid},{seq + 1},1000,0,4"))
                spoilt[place % len(spoilt)] ^= 1 << bit
                if tenth.say_raw(bytes(spoilt) + b"\n", 1):
                    answered.append((place, bit, bytes(spoilt)))
                tenth.pass_ms(60)
        assert answered == []
        assert not tenth.board.heating


def test_a_lost_byte_is_counted_and_its_frame_is_bad(ready: Bench) -> None:
    """Bytes at twice the line's speed: more than the program can take is lost whole, never half a number."""
    board = ready.board
    with ready.branch():
        before = ready.telemetry()
        board.machine.line_pace(2_000)  # 20 cycles a byte: the receiver must overrun
        for n in range(1, 20):
            board.receive(frame(f"S,{ready.sid},{ready.seq + n},1000,0,4"))
            ready.pass_ms(20)
        assert board.overruns > 100
        board.machine.line_pace(416_667)
        ready.pass_ms(100)
        after = ready.telemetry()
        assert int(str(after["overruns"])) > int(str(before["overruns"]))
        ready.stream(500)
        assert ready.telemetry()["last_seq"] == ready.seq


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_flood_of_bad_frames_and_noise_heats_nothing_and_the_next_good_frame_counts(ready: Bench, seed: int) -> None:
    """Ten seconds of it; one frame in six is good, and asks for no heat. Every bad one is counted."""
    rng = Random(seed)
    board = ready.board
    with ready.branch():
        before = ready.telemetry()
        reader = FrameReader()
        began = board.cycle
        good = 0
        while board.cycle < began + 10_000 * CYCLES_A_MS:
            data = b""
            while len(data) < 250:
                data += _noise(rng, ready.sid, ready.seq)
                if rng.random() < 0.2:
                    ready.seq += 1
                    data += b"\n" + frame(f"S,{ready.sid},{ready.seq},0,0,4")
                    good += 1
            reader.receive(data, 0)
            board.receive(data)
            ready.pass_ms(100)
        ready.pass_ms(500)
        after = ready.telemetry()
        print(f"seed {seed}: {good} good frames, {after['bad_frames']} bad ones, {board.overruns} overruns")
        assert on_after_ms(board, began) == 0.0
        assert board.overruns == 0
        assert after["last_seq"] == ready.seq
        assert int(str(after["bad_frames"])) - int(str(before["bad_frames"])) == reader.bad_frames(1_000)
        assert len(board.resets) == 1


def _noise(rng: Random, sid: int, seq: int) -> bytes:
    kind = rng.randrange(4)
    if kind == 0:
        return rng.randbytes(rng.randrange(1, 60)).replace(b"!", b"?")
    if kind == 1:
        return b"!" + bytes(rng.randrange(32, 127) for _ in range(rng.randrange(1, 200))).replace(b"!", b"?")
    body = f"S,{sid},{seq + rng.randrange(1, 900)},1000,0,4"
    if kind == 2:
        return f"!{body}*{crc(body.encode()) ^ 1 << rng.randrange(16):04X}\n".encode()
    whole = bytearray(frame(body))
    whole[rng.randrange(1, len(whole) - 1)] ^= 1 << rng.randrange(7)
    return bytes(whole)


def test_of_a_thousand_frames_no_corrupted_one_acts(ready: Bench) -> None:
    """Every eighth frame has one to three flipped bits; only the others are answered, each with its own number."""
    seed = 5
    rng = Random(seed)
    with ready.branch():
        good: list[int] = []
        for _ in range(1_000):
            ready.seq += 1
            data = bytearray(frame(f"S,{ready.sid},{ready.seq},0,0,4"))
            if rng.random() < 0.125:
                for _ in range(rng.randrange(1, 4)):
                    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            if bytes(data) == frame(f"S,{ready.sid},{ready.seq},0,0,4"):
                good.append(ready.seq)
            ready.board.receive(bytes(data))
            ready.pass_ms(15)
        ready.pass_ms(200)
        answered = [int(fields[1]) for fields in ready.heard if fields[0] == "A"]
        answered = [seq for seq in answered if seq > ready.seq - 1_000]
        print(f"seed {seed}: {1_000 - len(good)} corrupted, {len(answered)} answered")
        assert set(answered) <= set(good)
        assert len(answered) > len(good) - 130, "a frame may fall to the one before it, no more"


def test_half_a_frame_is_dropped_after_50_ms_and_the_line_may_open_in_mid_frame(ready: Bench) -> None:
    with ready.branch():
        before = int(str(ready.telemetry()["bad_frames"]))
        whole = frame(f"S,{ready.sid},{ready.seq + 1},0,0,4")
        for cut in (1, 5, len(whole) - 1):
            assert ready.say_raw(whole[:cut], 1) == []
            assert ready.say_raw(whole[cut:], 1) == [], "the rest of it alone"
            assert ready.duty() == 0
        assert int(str(ready.telemetry()["bad_frames"])) == before + 3
        whole = frame(f"S,{ready.sid},{ready.seq + 1},0,0,4")
        assert ready.say_raw(whole[7:] + whole, 1) == [["A", str(ready.seq + 1), "0"]]
        ready.seq += 1
        half = frame(f"S,{ready.sid},{ready.seq + 1},0,0,4")
        ready.board.receive(half[:9])
        ready.pass_ms(30)
        assert ready.say_raw(half[9:], 1) == [["A", str(ready.seq + 1), "0"]], "30 ms of silence are none"


def test_telemetry_comes_four_times_a_second_whatever_the_host_sends(ready: Bench) -> None:
    with ready.branch():
        start = len(ready.heard)
        for _ in range(100):
            ready.board.receive(frame("H,1,1") * 3)
            ready.pass_ms(100)
        frames = [fields for fields in ready.heard[start:] if fields[0] == "T"]
        numbers = [int(fields[1]) for fields in frames]
        assert len(numbers) >= 15, "the answers are more than the line carries; what finds no room is lost whole"
        assert all(re.fullmatch(r"[-OGVRXN]{5}", fields[10]) for fields in frames)
        quiet = len(ready.heard)
        ready.pass_ms(5_000)
        calm = [int(fields[2]) for fields in ready.heard[quiet:] if fields[0] == "T"]
        assert {b - a for a, b in pairwise(calm)} <= set(range(246, 255))
