"""`ovenhand doctor`: what is missing or not right on this machine, and what it keeps from working."""

from __future__ import annotations

import getpass
import grp
import os
import shutil
import sys
import time
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Final

from controller.commands.shipped import load_shipped, read_shop
from controller.core.limits import Limits
from controller.core.table import TABLE, Row
from controller.core.tick import Core
from controller.model import (
    FITTED_AGITATOR,
    FITTED_DOOR,
    FITTED_LEVEL,
    FITTED_OVEN,
    FITTED_OVEN_CURRENT,
    FITTED_OVEN_LIMIT,
    FITTED_PART,
    FITTED_SMOKE,
    FITTED_TANK,
    FITTED_TANK_CURRENT,
    FITTED_TANK_LIMIT,
    TRIP_BITS,
    Board,
    Reading,
)
from controller.records import Book, RecordsError, database_path, default_data_directory
from controller.records.trouble import is_read_only, read_only
from controller.serial_port import SerialPort, usb_candidates
from controller.settings import ShopFileError
from controller.wire.link import Link

LISTEN_S: Final = 4.0
FREE_MB: Final = 200
RESET_CAUSES: Final = {1: "power-on", 2: "reset pin", 4: "brown-out", 8: "watchdog"}
MISSING: Final = (
    (FITTED_OVEN, "oven sensor and heater", "no oven runs"),
    (FITTED_OVEN_LIMIT, "oven limit sensor", "setpoints above 230 °C, and any heat without a named cut-out"),
    (FITTED_PART, "sensor on the steel", "the soak counts on an estimate; no boost"),
    (FITTED_TANK, "tank sensor and heater", "no oil preheat"),
    (FITTED_TANK_LIMIT, "tank limit sensor", "no second opinion on the oil"),
    (FITTED_DOOR, "door switch", "an open door is asked about instead of seen"),
    (FITTED_LEVEL, "oil level switch", "a bare heater is not seen"),
    (FITTED_AGITATOR, "stirrer", "stir by hand before every quench"),
    (FITTED_SMOKE, "smoke or CO contact", "no alarm stops the heat"),
    (FITTED_OVEN_CURRENT, "oven current sensor", "a stuck relay is seen by its heat only"),
    (FITTED_TANK_CURRENT, "tank current sensor", "a stuck relay is seen by its heat only"),
)
SHOP_AND_BOARD: Final = ("board_chip", "oven_fitted", "oven_one_sensor", "tank_fitted")
"""The interlocks that hold the shop file against what a board says of itself."""
REFUSED: Final = {"both": "nothing is heated", "oven": "no oven run is started", "tank": "the oil is not heated"}

HEAP: Final = "MALLOC_ARENA_MAX=1 MALLOC_MMAP_THRESHOLD_=65536 MALLOC_TRIM_THRESHOLD_=65536"
"""For glibc (its `mallopt`): one heap for all threads, and what is large given back at once. Left to themselves many
heaps grow for days by the free pieces between what stays in them."""

UNIT: Final = f"""[Unit]
Description=Ovenhand: minds a tempering oven and a quench-oil tank
After=network.target

[Service]
Type=notify
# The shop file may hold the passwords of alerts: it stays root's own (mode 0600) and is handed over from there.
LoadCredential=shop.toml:/etc/ovenhand/shop.toml
ExecStart={{python}} -m controller serve --shop %d/shop.toml
Environment={HEAP}
StateDirectory=ovenhand
DynamicUser=yes
SupplementaryGroups=dialout
WatchdogSec=10
Restart=on-failure
RestartSec=5
MemoryMax=256M
ProtectSystem=strict
ProtectHome=read-only
ProtectClock=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectProc=invisible
UMask=0077
PrivateTmp=yes
PrivateMounts=yes
ProcSubset=pid
NoNewPrivileges=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectControlGroups=yes
RestrictSUIDSGID=yes
RestrictNamespaces=yes
RestrictRealtime=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
CapabilityBoundingSet=
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
# The own network only; an alert service beyond it needs its address here.
IPAddressDeny=any
IPAddressAllow=localhost link-local 10.0.0.0/8 172.16.0.0/12 192.168.0.0/16 fc00::/7
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM
DevicePolicy=closed
DeviceAllow=char-ttyACM rw
DeviceAllow=char-ttyUSB rw
DeviceAllow=char-ttyAMA rw

[Install]
WantedBy=multi-user.target
"""


def add_arguments(parser: ArgumentParser) -> None:
    """What to look at."""
    parser.add_argument("--shop", type=Path, metavar="FILE", help="the shop file to check as well")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the service's data directory")
    parser.add_argument("--device", metavar="TTY", help="the board's serial port")
    parser.add_argument("--unit", action="store_true", help="print a systemd unit and stop")


def run(args: Namespace) -> int:
    """0 when nothing keeps it from working, 1 when something does, 2 for a mistake in a file."""
    if args.unit:
        print(UNIT.format(python=sys.executable), end="")
        if Path(sys.executable).is_relative_to("/root") or Path(sys.executable).is_relative_to("/home"):
            print(
                f"The unit's own user must be able to read {sys.prefix}: where home folders are private, put the "
                "whole folder under /opt, make its environment again there, and print the unit from there.",
                file=sys.stderr,
            )
        return 0
    limits = None
    if args.shop:
        try:
            found = read_shop(args.shop, load_shipped())
            print(f"good: {args.shop} is sound.")
            for sentence in found.advice:
                print(f"note: {sentence}")
            limits = found.limits
        except ShopFileError as error:
            print("\n".join(error.lines()), file=sys.stderr)
            return 2
    sound = [_data(args.data or default_data_directory(os.environ)), _clock(), _serial_group()]
    sound.append(_board(args.device, limits))
    return 0 if all(sound) else 1


def _data(directory: Path) -> bool:
    place = directory
    while not os.path.exists(place):  # Path.exists raises where a parent may not be looked into
        place = place.parent
    if is_read_only(place):
        print(f"missing: {read_only(directory)}")
        return False
    if not (place.is_dir() and os.access(place, os.W_OK | os.X_OK)):
        print(f"missing: {directory} cannot be written. Name another with --data.")
        return False
    free_mb = shutil.disk_usage(place).free // 2**20
    if free_mb < FREE_MB:
        print(f"missing: only {free_mb} MB are free for the record in {directory}; {FREE_MB} MB are wanted.")
        return False
    problems = _book_problems(directory)
    for text in problems:
        print(f"missing: {text}")
    if not problems:
        print(f"good: the record in {directory} has {free_mb} MB of room.")
    return not problems


def _book_problems(directory: Path) -> list[str]:
    """What is wrong with the book, where there is one already; the service starts with none that is damaged."""
    path = database_path(directory)
    if not os.path.exists(path):
        return []
    try:
        return Book(path).verify()
    except RecordsError as error:
        return [str(error)]


def _clock() -> bool:
    if time.time() < 1.7e9:
        print("note: this machine's clock is not set. Runs keep their lengths, but not their dates.")
    return True


def _serial_group() -> bool:
    try:
        dialout = grp.getgrnam("dialout").gr_gid
    except KeyError:
        return True  # not a Debian; whether a port can be opened is seen when it is tried
    if os.geteuid() == 0 or dialout in (os.getegid(), *os.getgroups()):
        return True
    print(
        f"missing: {getpass.getuser()} may not open serial ports. "
        f"Run `sudo usermod -aG dialout {getpass.getuser()}` and log in again."
    )
    return False


def _board(device: str | None, limits: Limits | None) -> bool:
    print(f"note: serial ports seen: {', '.join(one.device for one in usb_candidates()) or 'none'}.")
    reading, text, strange = _listen(device)
    if text:
        print(f"missing: {text}")
        return False
    if reading.board is None and reading.incompatible is None:
        if strange:
            print(
                f"missing: something else speaks on this port: {strange} bytes came in {LISTEN_S:g} s, and nothing "
                "in them is the board's protocol. It is another device's port, or the board has another program: flash "
                "it, or name the board's port with --device."
            )
            return False
        print("missing: the port is open, but no board answers. Is it flashed, and is this its port?")
        return False
    sound = _about(reading, limits)
    if reading.board is not None:
        print(f"note: {about_opening(reading.board, _listen(device)[0].board)}")
    return sound


def _listen(device: str | None) -> tuple[Reading, str, int]:
    """Open the port, greet, and close it again: what a board said, what is wrong with the port, or "", and how many
    bytes came where nothing of the protocol was among them."""
    port, link = SerialPort(device), Link()
    until_s = time.monotonic() + LISTEN_S
    reading, text = Reading(), None
    came, understood = 0, False
    try:
        while time.monotonic() < until_s and not (reading.board and reading.frames):
            data = port.read(0.1)
            text = port.changed()
            if text:
                return reading, text, 0
            if text is not None:
                link.port_changed(text)
            came += len(data)
            understood |= bool(link.receive(data, time.monotonic()))
            reading = link.take_reading()
            port.write(link.poll(time.monotonic()))
    finally:
        port.close()
    return reading, "", 0 if understood else came


def about_opening(first: Board, second: Board | None) -> str:
    """Whether opening the port starts the board anew, told by its count of starts before and after."""
    if second is None:
        return "whether opening this port resets the board is not known: it did not answer a second time."
    if second.boots != first.boots:
        return (
            "opening this port resets the board, so every restart of the service disarms it and pauses the run. The "
            "firmware notes say how to cut that."
        )
    return "opening this port does not reset the board: it stays armed when the service starts anew."


def unfit(limits: Limits, board: Board) -> list[Row]:
    """The interlocks that keep heat off for good where this shop has this board, as the core itself judges it."""
    core = Core(limits)
    core.tick(0.0, Reading(board=board), ())
    return [row for row in TABLE if row.name in SHOP_AND_BOARD and core.interlocks.acting(row.name)]


def _about(reading: Reading, limits: Limits | None) -> bool:
    board = reading.board
    if reading.incompatible:
        print(
            f"missing: the board's {reading.incompatible} is another than this program's, so there is no heat. "
            "Update the older side."
        )
    if board is None:
        return False
    causes = [name for bit, name in RESET_CAUSES.items() if board.reset_cause & bit]
    print(f"good: a board answers: firmware {board.firmware}, protocol {board.proto}, chip MAX{board.chip}.")
    print(f"note: it has started {board.boots} times, last by {' and '.join(causes) or 'an unknown cause'}.")
    spoilt = reading.frames[-1].bad_frames if reading.frames else 0
    if spoilt:
        print(
            f"note: frames that have reached it spoilt since it started: {spoilt}. A few from opening the port are "
            "normal; if it is more each time, look for a loose or long cable, or mains wires beside it."
        )
    for bit, what, refused in MISSING:
        if not board.fitted & bit:
            print(f"note: not fitted: {what}. Without it: {refused}.")
    trips = [name.replace("_", " ") for bit, name in TRIP_BITS.items() if board.trips & bit]
    if trips:
        print(f"missing: the board has tripped: {', '.join(trips)}. Look at it, then hold its reset button for 2 s.")
    # What a board of another protocol says is fitted may mean something else.
    rows = unfit(limits, board) if limits is not None and not reading.incompatible else []
    for row in rows:
        print(f"missing: {row.text} As long as that is so, {REFUSED[row.zone]}. {row.advice}")
    return not (trips or reading.incompatible or rows)
