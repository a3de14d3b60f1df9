"""The serial port on real pseudo-terminals: opening, losing, finding, and a sentence for each trouble."""

from __future__ import annotations

import fcntl
import os
import pty
import termios
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.serial_port import Candidate, SerialPort, trouble


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class Line:
    """A pseudo-terminal behind a fixed name, as a plug that can be pulled and put in again."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.master = -1
        self.plug_in()

    def plug_in(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        os.close(slave)

    def pull(self) -> None:
        os.close(self.master)
        self.path.unlink()
        self.master = -1


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    line = Line(tmp_path / "board")
    yield line
    if line.master >= 0:
        os.close(line.master)


@pytest.fixture
def clock() -> Clock:
    return Clock()


def opened(line: Line, clock: Clock) -> SerialPort:
    port = SerialPort(str(line.path), now_s=clock)
    assert port.read(0.0) == b""
    assert port.text == ""
    return port


def test_bytes_pass_both_ways_unchanged(line: Line, clock: Clock) -> None:
    port = opened(line, clock)
    every_byte = bytes(range(256))
    os.write(line.master, every_byte)
    got = b""
    while len(got) < 256:
        piece = port.read(2.0)
        assert piece, f"only {len(got)} bytes came"
        got += piece
    assert got == every_byte
    port.write(every_byte)
    back = b""
    while len(back) < 256:
        back += os.read(line.master, 256)
    assert back == every_byte
    port.close()


def test_the_line_runs_at_38400_8n1(line: Line, clock: Clock) -> None:
    port = opened(line, clock)
    fd = os.open(line.path, os.O_RDWR | os.O_NOCTTY)
    _, _, cflag, _, in_speed, out_speed, _ = termios.tcgetattr(fd)
    os.close(fd)
    assert in_speed == out_speed == termios.B38400
    assert cflag & termios.CSIZE == termios.CS8
    assert not cflag & (termios.PARENB | termios.CSTOPB)
    port.close()


def test_a_silent_line_gives_nothing_and_is_no_trouble(line: Line, clock: Clock) -> None:
    port = opened(line, clock)
    assert port.read(0.01) == b""
    assert port.text == ""
    port.close()


def test_wake_ends_a_read_that_waits(line: Line, clock: Clock) -> None:
    port = opened(line, clock)
    port.wake()
    assert port.read(600.0) == b""  # would outlast every test's patience
    port.close()
    port.wake()  # and does nothing on a shut port


def test_a_port_that_is_absent_at_start_is_opened_once_it_appears(tmp_path: Path, clock: Clock) -> None:
    line = Line(tmp_path / "board")
    line.pull()
    port = SerialPort(str(line.path), now_s=clock)
    port.read(0.0)
    assert port.text == f"{line.path} is not there: plug the board in, or name another port with --device."
    line.plug_in()
    port.read(0.0)
    assert port.text, "tried again before a second had passed"
    clock.now_s += 1.0
    port.read(0.0)
    assert port.text == ""
    port.close()
    os.close(line.master)


def test_pulled_and_plugged_again(line: Line, clock: Clock) -> None:
    port = opened(line, clock)
    assert port.changed() == ""
    assert port.changed() is None
    line.pull()
    assert port.read(0.5) == b""
    lost = port.changed()
    assert lost is not None
    assert lost.startswith(f"The line to the board at {line.path} broke off")
    assert "look at the cable" in lost
    port.write(b"to nobody")
    clock.now_s += 1.0
    port.read(0.0)
    absent = f"{line.path} is not there: plug the board in, or name another port with --device."
    assert port.changed() == absent
    line.plug_in()
    clock.now_s += 1.0
    port.read(0.0)
    assert port.changed() == ""
    os.write(line.master, b"here again")
    assert port.read(2.0).startswith(b"h")
    port.close()


def test_a_cable_pulled_while_writing_is_told_too(line: Line, clock: Clock) -> None:
    port = opened(line, clock)
    line.pull()
    port.write(b"!S*\n")
    assert port.text.startswith("The line to the board at")
    port.close()


def test_a_line_that_takes_nothing_does_not_hold_up_the_tick(line: Line, clock: Clock) -> None:
    port = opened(line, clock)
    frame = b"!S,1,1,0,0,0*0000\n"
    for _ in range(2000):  # far more than a pseudo-terminal buffers
        port.write(frame)
    assert port.text == ""
    os.set_blocking(line.master, False)
    got = b""
    try:
        while piece := os.read(line.master, 65536):
            got += piece
    except BlockingIOError:
        pass
    assert len(got) < 2000 * len(frame)
    port.close()


def test_another_program_on_the_port_is_named_as_the_reason(line: Line, clock: Clock) -> None:
    fd = os.open(line.path, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    port = SerialPort(str(line.path), now_s=clock)
    port.read(0.0)
    assert (
        port.text == f"Another program uses {line.path}: close it (a serial monitor, or a second Ovenhand)."
    )
    os.close(fd)
    clock.now_s += 1.0
    port.read(0.0)
    assert port.text == ""
    port.close()


@pytest.mark.parametrize("make", [Path.touch, Path.mkdir], ids=["file", "directory"])
def test_what_is_no_serial_port_is_said_to_be_none(make, tmp_path: Path, clock: Clock) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "thing"
    make(path)
    port = SerialPort(str(path), now_s=clock)
    port.read(0.0)
    assert port.text == f"{path} is not a serial port: name the board's with --device."


def test_a_device_that_is_no_terminal_is_told(clock: Clock) -> None:
    port = SerialPort("/dev/null", now_s=clock)
    port.read(0.0)
    assert port.text.startswith("/dev/null is not a serial port that can be set to 38400 baud")


def test_no_permission_names_the_group(line: Line) -> None:
    error = PermissionError(13, "Permission denied")
    group = os.stat(line.path).st_gid
    text = trouble(str(line.path), error)
    assert text.startswith(f"You may not use {line.path}: add your user to the group ")
    assert "usermod -aG" in text
    assert group >= 0


def test_the_only_candidate_is_taken(line: Line, clock: Clock) -> None:
    port = SerialPort(None, candidates=lambda: [Candidate(str(line.path), "a board")], now_s=clock)
    port.read(0.0)
    assert port.text == ""
    assert port.device == str(line.path)
    port.close()


def test_no_candidate_and_several_are_told_apart(line: Line, clock: Clock) -> None:
    found: list[Candidate] = []
    port = SerialPort(None, candidates=lambda: found, now_s=clock)
    port.read(0.0)
    assert port.text.startswith("No board is plugged in")
    assert "--device" in port.text
    found += [Candidate(str(line.path), "a board"), Candidate("/dev/ttyUSB7", "")]
    clock.now_s += 1.0
    port.read(0.0)
    assert port.text == (
        "Several serial devices are plugged in: name the board's with --device. "
        f"They are {line.path} (a board), /dev/ttyUSB7."
    )
