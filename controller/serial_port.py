"""The serial line: found, opened, read, written and opened again, with one sentence for each kind of trouble.

The only home of pyserial. One thread owns a port; only `wake` may be called from another.
"""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import stat
import termios
import threading
import time
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import serial
from serial.tools import list_ports

BAUD: Final = 38400
REOPEN_S: Final = 1.0
"""Between two tries to open: soon enough for a hand that plugs a cable, seldom enough to cost nothing."""
WRITE_S: Final = 0.05
"""A frame takes 13 ms at this speed; what has not gone in this time is dropped, for a tick must not wait."""


class Candidate(NamedTuple):
    """A serial device that may be the board."""

    device: str
    label: str


def usb_candidates() -> tuple[Candidate, ...]:
    """The USB serial devices that are plugged in. A board on the machine's own pins has to be named."""
    ports = (port for port in list_ports.comports() if port.vid is not None)
    return tuple(Candidate(port.device, port.description or "") for port in sorted(ports))


class SerialPort:
    """A port that heals: absent at start, unplugged and plugged again, it is tried once a second.

    `device`: any TTY or pseudo-terminal; None: the one candidate there is. `text`: "" while it is open, else
    a sentence for the smith. `changed()` gives that text once after every change of it, and once at first.
    """

    def __init__(
        self,
        device: str | None,
        *,
        candidates: Callable[[], Sequence[Candidate]] = usb_candidates,
        now_s: Callable[[], float] = time.monotonic,
        reopen_s: float = REOPEN_S,
    ) -> None:
        self.text = "The serial port was not opened yet."
        self._device = device
        self._candidates = candidates
        self._now_s = now_s
        self._reopen_s = reopen_s
        self._next_try_s = now_s()
        self._reported: str | None = None
        self._serial: serial.Serial | None = None
        self._woken = threading.Event()
        self._closing = threading.Lock()

    @property
    def device(self) -> str | None:
        """The open device, else the one that was named."""
        return self._device if self._serial is None else str(self._serial.port)

    def read(self, timeout_s: float) -> bytes:
        """What has come, waiting `timeout_s` for the first byte; b"" when nothing did, or the port is shut.

        Opens the port when it is shut and a try is due.
        """
        if self._serial is None and self._now_s() >= self._next_try_s:
            self._open()
        if self._serial is None:
            if self._woken.wait(timeout_s):
                self._woken.clear()
            return b""
        try:
            if self._serial.timeout != timeout_s:  # setting it configures the whole port anew
                self._serial.timeout = timeout_s
            data = self._serial.read(1)
            if data and (more := self._serial.in_waiting):
                data += self._serial.read(more)
            return bytes(data)
        except (OSError, termios.error) as error:
            self._lose(error)
            return b""

    def write(self, data: bytes) -> None:
        """Send, or drop what the line does not take at once. A shut port drops everything."""
        if self._serial is None or not data:
            return
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException:
            self._discard_output()
        except (OSError, termios.error) as error:
            self._lose(error)

    def changed(self) -> str | None:
        """The text when it is another than at the last call, else None."""
        if self.text == self._reported:
            return None
        self._reported = self.text
        return self.text

    def wake(self) -> None:
        """Let a `read` that waits return at once. From any thread."""
        self._woken.set()
        with self._closing:
            if self._serial is not None:
                self._serial.cancel_read()

    def close(self) -> None:
        self._shut()
        self.text = "The serial port was closed."

    def _open(self) -> None:
        self._next_try_s = self._now_s() + self._reopen_s
        device = self._device
        if device is None:
            found = self._candidates()
            if len(found) != 1:
                self.text = _not_one(found)
                return
            device = found[0].device
        port = serial.Serial(None, BAUD, timeout=0, write_timeout=WRITE_S, exclusive=True)
        port.port = device
        try:
            port.open()
        except (OSError, termios.error) as error:
            self.text = trouble(device, error)
            return
        self._serial = port
        self.text = ""

    def _lose(self, error: Exception) -> None:
        device = self.device
        self._shut()
        self._next_try_s = self._now_s() + self._reopen_s
        self.text = (
            f"The line to the board at {device} broke off ({_cause(error)}): look at the cable and at the "
            "board's power. It is tried again every second."
        )

    def _shut(self) -> None:
        with self._closing:
            if self._serial is not None:
                with contextlib.suppress(OSError):  # where the device is gone, so is its descriptor
                    self._serial.close()
                self._serial = None

    def _discard_output(self) -> None:
        """A board that takes up reading later must not find commands of long ago."""
        try:
            if self._serial is not None:
                self._serial.reset_output_buffer()
        except (OSError, termios.error) as error:
            self._lose(error)


def trouble(device: str, error: Exception) -> str:
    """Why `device` could not be opened, and what to do."""
    try:
        mode = os.stat(device)
    except FileNotFoundError:
        return f"{device} is not there: plug the board in, or name another port with --device."
    except OSError as reason:
        return f"{device} cannot be looked at ({reason.strerror}): name another port with --device."
    if not stat.S_ISCHR(mode.st_mode):
        return f"{device} is not a serial port: name the board's with --device."
    number = getattr(error, "errno", None)
    if number in (errno.EACCES, errno.EPERM):
        return (
            f"You may not use {device}: add your user to the group {_group(mode.st_gid)} "
            f"(sudo usermod -aG {_group(mode.st_gid)} $USER), then log in again."
        )
    if number == errno.EBUSY or "exclusively lock" in str(error):
        return f"Another program uses {device}: close it (a serial monitor, or a second Ovenhand)."
    if number in (errno.ENXIO, errno.ENODEV, errno.EIO):
        return f"Nothing answers behind {device} ({_cause(error)}): plug the board in again."
    return f"{device} is not a serial port that can be set to {BAUD} baud ({_cause(error)}): name another."


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


def _cause(error: Exception) -> str:
    # pyserial wraps what the terminal layer said, without its number.
    for one in (error, error.__context__):
        number = getattr(one, "errno", None) or (one.args[:1] or (None,))[0] if one else None
        if isinstance(number, int):
            return os.strerror(number)
    return str(error)


def _not_one(found: Sequence[Candidate]) -> str:
    if not found:
        return "No board is plugged in by USB: connect it, or name its port by --device."
    names = ", ".join(f"{one.device} ({one.label})" if one.label else one.device for one in found)
    return f"Several serial devices are plugged in: name the board's with --device. They are {names}."
