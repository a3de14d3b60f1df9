"""Frames: whole, byte by byte, with a tail, with every bit flipped, and a flood of noise."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.wire.frames import LONGEST, FrameDecoder, crc16, encode

BODIES = [
    b"H,1,1",
    b"S,4100,7,250,0,12",
    b"L,4100,8,0,29655",
    b"B,1,1,1,1,0",
    b"H,1,1,56694,4100,31855,31000,11000,29655,8700,9000,1951,1000",
    b"A,7,0",
    b"T,19,5000,4100,2025,2000,2000,2025,2000,2400,-----,6,0,0,0,0,0,0,0,21,250,0,0",
]


def whole(data: bytes) -> list[bytes]:
    return [data]


def single_bytes(data: bytes) -> list[bytes]:
    return [data[i : i + 1] for i in range(len(data))]


def with_tail(data: bytes) -> list[bytes]:
    return [data + b"!S,41", b"00,9,0,0,0*"]


FEEDS: list[Callable[[bytes], list[bytes]]] = [whole, single_bytes, with_tail]


def fed(pieces: list[bytes]) -> tuple[list[bytes], FrameDecoder]:
    decoder = FrameDecoder()
    bodies: list[bytes] = []
    for piece in pieces:
        bodies += decoder.feed(piece, 0.0)
    return bodies, decoder


def test_the_check_value() -> None:
    # CRC-16/IBM-3740, check value of the published catalogue for "123456789".
    assert crc16(b"123456789") == 0x29B1


@pytest.mark.parametrize("feed", FEEDS)
@pytest.mark.parametrize("body", BODIES)
def test_a_frame_comes_whole_however_it_is_cut(body: bytes, feed: Callable[[bytes], list[bytes]]) -> None:
    bodies, decoder = fed(feed(encode(body)))
    assert bodies == [body]
    assert decoder.bad_frames == 0


@pytest.mark.parametrize("body", BODIES)
def test_no_flipped_bit_passes(body: bytes) -> None:
    frame = encode(body)
    for number in range(len(frame) * 8):
        broken = bytearray(frame)
        broken[number // 8] ^= 1 << number % 8
        bodies, decoder = fed([bytes(broken), encode(b"A,1,0")])
        assert bodies == [b"A,1,0"], number
        assert decoder.bad_frames == (bytes(broken) + encode(b"A,1,0")).count(b"!") - 1


def test_an_exclamation_mark_restarts_and_counts_the_frame_it_broke() -> None:
    bodies, decoder = fed([b"!S,1,2,3!" + encode(b"A,1,0")[1:]])
    assert bodies == [b"A,1,0"]
    assert decoder.bad_frames == 1


def test_fifty_milliseconds_of_silence_drop_a_half_frame() -> None:
    frame = encode(b"A,1,0")
    decoder = FrameDecoder()
    decoder.feed(frame[:4], 1.0)
    assert decoder.feed(frame[4:], 1.049) == [b"A,1,0"]
    decoder.feed(frame[:4], 2.0)
    assert decoder.feed(frame[4:], 2.051) == []
    assert decoder.bad_frames == 1


def test_the_silence_is_noticed_without_a_byte_and_no_bytes_do_not_end_it() -> None:
    frame = encode(b"A,1,0")
    decoder = FrameDecoder()
    decoder.feed(frame[:4], 1.0)
    assert decoder.feed(b"", 1.04) == []
    assert decoder.bad_frames == 0
    assert decoder.feed(b"", 1.08) == []
    assert decoder.bad_frames == 1
    assert decoder.feed(frame[4:], 1.09) == []
    assert decoder.bad_frames == 1, "the rest of a dropped frame is nobody's `!`"


def test_a_closed_port_drops_a_half_frame() -> None:
    frame = encode(b"A,1,0")
    decoder = FrameDecoder()
    decoder.feed(frame[:4], 1.0)
    decoder.forget()
    assert decoder.feed(frame[4:], 1.001) == []
    assert decoder.feed(frame, 1.002) == [b"A,1,0"]


def test_the_longest_frame_is_180_bytes() -> None:
    longest = b"A" * (LONGEST - 7)
    bodies, _ = fed([encode(longest)])
    assert bodies == [longest]
    bodies, decoder = fed([encode(longest + b"A")])
    assert bodies == []
    assert decoder.bad_frames == 1


@pytest.mark.parametrize("body", [b"A,1*0", b"A,1,\r0", b"A,1,\x07", "A,1,é".encode(), b"A,1,\x7f"])
def test_what_may_not_stand_in_a_body(body: bytes) -> None:
    bodies, decoder = fed([encode(body)])
    assert bodies == []
    assert decoder.bad_frames == 1


def test_the_check_is_four_uppercase_digits() -> None:
    for body in (b"A,%d,0" % number for number in range(200)):
        frame = encode(body)
        if frame != frame.lower().replace(b"a,", b"A,"):
            lower = frame[:-5] + frame[-5:].lower()
            if lower != frame:
                assert fed([lower])[0] == []
                return
    pytest.fail("no check with a letter among 200")


def test_a_million_random_bytes_raise_nothing_and_are_counted() -> None:
    seed = random.randrange(2**32)
    print("seed", seed)
    data = random.Random(seed).randbytes(1_000_000)
    decoder = FrameDecoder()
    found = 0
    for start in range(0, len(data), 997):
        found += len(decoder.feed(data[start : start + 997], 0.0))
    open_frame = 1 if data.rfind(b"!") > data.rfind(b"\n") and len(data) - data.rfind(b"!") < LONGEST else 0
    assert decoder.bad_frames + found + open_frame == data.count(b"!")


@given(st.lists(st.binary(max_size=40), max_size=8), st.integers(1, 30))
def test_how_the_bytes_are_cut_never_matters(parts: list[bytes], size: int) -> None:
    data = b"".join(part + encode(b"A,3,0") for part in parts)
    one, _ = fed([data])
    many, _ = fed([data[i : i + size] for i in range(0, len(data), size)])
    assert one == many


class CharacterByCharacter:
    """The framing rules as the protocol's text tells them, one character at a time: slow, and easy to check."""

    def __init__(self) -> None:
        self.open: bytes | None = None
        self.heard_s = 0.0
        self.bodies: list[bytes] = []
        self.bad = 0

    def feed(self, data: bytes, now_s: float) -> None:
        for number in data:
            character = bytes([number])
            if self.open is not None and now_s - self.heard_s >= 0.050:
                self.close(None)
            self.heard_s = now_s
            if character == b"!":
                if self.open is not None:
                    self.close(None)
                self.open = b""
            elif self.open is not None:
                self.open += character
                if character == b"\n":
                    self.close(self.body(self.open))
                elif len(self.open) == 179:
                    self.close(None)

    def close(self, body: bytes | None) -> None:
        self.open = None
        if body is None:
            self.bad += 1
        else:
            self.bodies.append(body)

    @staticmethod
    def body(text: bytes) -> bytes | None:
        body, star, check = text[:-1].rpartition(b"*")
        printable = all(0x20 <= number <= 0x7E for number in body) and b"*" not in body
        if not star or not body or not printable or check != b"%04X" % crc16(body):
            return None
        return body


def noise(chance: random.Random) -> bytes:
    """Whole frames, cut, doubled, with a byte changed, in between characters that mean something to framing."""
    frame = encode(chance.choice(BODIES))
    match chance.randrange(6):
        case 0 | 1:
            return frame
        case 2:
            return frame[: chance.randrange(len(frame))]
        case 3:
            place = chance.randrange(len(frame))
            return frame[:place] + chance.choice([b"!", b"*", b"\n", b"\r", b"\x00", b"\xff"]) + frame[place + 1 :]
        case 4:
            return encode(b"A" * chance.randrange(165, 180))
        case _:
            return bytes(chance.choices(b"!*\n\rA0,\x80", k=chance.randrange(220)))


def test_it_does_what_the_rules_told_character_by_character_do() -> None:
    seed = random.randrange(2**32)
    print("seed", seed)
    chance = random.Random(seed)
    decoder, told = FrameDecoder(), CharacterByCharacter()
    bodies: list[bytes] = []
    now_s = 0.0
    for _ in range(3000):
        data = noise(chance)
        while data:
            size = chance.choice([1, 3, 20, 500])
            now_s += chance.choice([0.0, 0.001, 0.03, 0.07])
            bodies += decoder.feed(data[:size], now_s)
            told.feed(data[:size], now_s)
            data = data[size:]
            assert bodies == told.bodies
            assert decoder.bad_frames == told.bad
    assert len(bodies) > 500
    assert decoder.bad_frames > 500
