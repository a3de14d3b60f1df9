"""`ovenhand doctor`: the unit that it prints, and what it says of a board."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import threading
import tty
from collections.abc import Mapping
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main
from controller.commands import doctor
from controller.commands.doctor import HEAP, MISSING, about_opening, unfit
from controller.core.table import TABLE
from controller.core.tick import Core
from controller.daemon import KEEP_ALIVE_S
from controller.model import Board, Event, Reading
from controller.records import Records, database_path
from controller.rehearsal import Rehearsal
from controller.sim.shop import SimShop
from tests.core.rig import limits

MOST_EXPOSED = 1.5
"""What `systemd-analyze security` may say at most (0 to 10); this figure was measured with systemd 252."""


def unit(capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["doctor", "--unit"]) == 0
    return capsys.readouterr().out


def test_the_unit_is_fed_by_the_tick_sees_its_board_and_its_network_and_little_else(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = unit(capsys).splitlines()
    words = dict(line.split("=", 1) for line in lines if "=" in line and not line.startswith("#"))
    assert words["Type"] == "notify"
    assert KEEP_ALIVE_S * 3.0 <= float(words["WatchdogSec"]) == 10.0
    assert re.fullmatch(r"\d+M", words["MemoryMax"])
    assert words["Restart"] == "on-failure"
    assert words["Environment"] == HEAP
    for name in (
        "DynamicUser", "NoNewPrivileges", "PrivateTmp", "PrivateMounts", "ProtectClock", "ProtectHostname",
        "ProtectKernelLogs", "ProtectKernelModules", "ProtectKernelTunables", "ProtectControlGroups",
        "RestrictNamespaces", "RestrictRealtime", "RestrictSUIDSGID", "LockPersonality", "MemoryDenyWriteExecute",
    ):  # fmt: skip
        assert words[name] == "yes", name
    assert words["ProtectSystem"] == "strict"
    assert words["CapabilityBoundingSet"] == ""
    assert words["DevicePolicy"] == "closed"
    devices = [line.partition("=")[2] for line in lines if line.startswith("DeviceAllow=")]
    assert devices == ["char-ttyACM rw", "char-ttyUSB rw", "char-ttyAMA rw"]
    assert words["IPAddressDeny"] == "any"
    # RFC 1918 and RFC 4193: the private ranges; link-local and localhost are systemd's own names.
    allowed = set(words["IPAddressAllow"].split())
    assert allowed == {"localhost", "link-local", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7"}


HEAPS = """
import ctypes, sys, threading
libc = ctypes.CDLL(None)
libc.malloc.restype = libc.fdopen.restype = ctypes.c_void_p
met = threading.Barrier(4)
def takes():
    libc.malloc(1000)
    met.wait()
threads = [threading.Thread(target=takes) for _ in range(4)]
for thread in threads: thread.start()
for thread in threads: thread.join()
out = ctypes.c_void_p(libc.fdopen(1, b"w"))
libc.malloc_info(0, out)
libc.fflush(out)
"""


def test_under_the_units_settings_all_threads_share_one_heap() -> None:
    """As glibc itself tells (malloc_info(3)), on Debian and Raspberry Pi OS."""

    def heaps(settings: Mapping[str, str]) -> int:
        told = subprocess.run(
            [sys.executable, "-c", HEAPS], env={**os.environ, **settings}, capture_output=True, text=True, check=True
        )
        return told.stdout.count("<heap nr=")

    assert heaps(dict(setting.split("=") for setting in HEAP.split())) == 1
    assert heaps({}) > 1


def test_systemd_itself_finds_nothing_wrong_with_the_unit_where_it_is_there_to_ask(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = unit(capsys)
    asked = shutil.which("systemd-analyze")
    assert text.startswith("[Unit]\n"), "what is checked on a machine without systemd"
    if asked is None:
        print("systemd-analyze is not here: only the first line was looked at")
        return
    file = tmp_path / "ovenhand.service"
    file.write_text(text)
    verified = subprocess.run([asked, "verify", str(file)], capture_output=True, text=True, check=False)
    told = [line for line in verified.stderr.splitlines() if "ovenhand.service" in line]
    assert (verified.returncode, told) == (0, [])
    looked = subprocess.run(
        [asked, "security", "--offline=true", str(file)], capture_output=True, text=True, check=False
    )
    found = re.search(r"Overall exposure level for ovenhand.service: ([\d.]+)", looked.stdout)
    assert found, looked.stdout + looked.stderr
    print(f"exposure {found[1]}")
    assert float(found[1]) <= MOST_EXPOSED


def test_doctor_says_which_board_what_is_not_fitted_and_what_opening_does(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = SimShop(0, fitted=0b10111)
    shop.exchange(b"!H,1,1*0000\n!S,1*0000\n", 1.0)
    board = Rehearsal(shop, 20.0)
    board.start()
    try:
        code = main(["doctor", "--data", str(tmp_path), "--device", board.tty_path])
    finally:
        board.stop()
    told = capsys.readouterr().out
    assert "good: a board answers: firmware " in told, told
    assert "chip MAX31855" in told
    assert re.search(r"note: frames that have reached it spoilt since it started: [2-9]\. ", told), told
    assert "note: opening this port does not reset the board" in told
    for bit, what, refused in MISSING:
        line = f"note: not fitted: {what}. Without it: {refused}."
        assert (line in told) == (not 0b10111 & bit), what
    assert "tripped" not in told
    assert code in (0, 1)  # 1 where this machine itself lacks something, such as room on its disk


OVEN = "[oven]\nheater_w = 1500\n"
TANK = '[tank]\nheater_w = 1000\nvolume_l = 10\noil = "canola"\n'


@pytest.mark.parametrize(
    ("shop", "kind", "unfit_rows", "refused"),
    [
        (OVEN + 'thermocouple = "J"\n', {"fitted": 3, "chip": 6675}, {"board_chip"}, {"nothing is heated"}),
        (OVEN + TANK, {"fitted": 1}, {"oven_one_sensor", "tank_fitted"},
         {"no oven run is started", "the oil is not heated"}),
        (OVEN + TANK, {"fitted": 3}, {"tank_fitted"}, {"the oil is not heated"}),
        (TANK, {"fitted": 4}, set(), set()),
        (OVEN + 'independent_cutout = "a manual-reset thermostat"\n' + TANK, {"fitted": 5}, set(), set()),
        (OVEN + 'thermocouple = "J"\n', {"fitted": 3, "chip": 31856}, set(), set()),
    ],
)  # fmt: skip
def test_the_shop_file_is_held_against_the_board_that_is_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], shop: str, kind: dict[str, Any], unfit_rows: set[str],
    refused: set[str],
) -> None:  # fmt: skip
    file = tmp_path / "shop.toml"
    file.write_text(shop)
    board = Rehearsal(SimShop(0, **kind), 20.0)
    board.start()
    try:
        code = main(["doctor", "--data", str(tmp_path), "--device", board.tty_path, "--shop", str(file)])
    finally:
        board.stop()
    told = capsys.readouterr().out
    for row in TABLE:
        assert (f"missing: {row.text} As long as that is so, " in told) == (row.name in unfit_rows), row.name
    assert set(re.findall(r"As long as that is so, (.*?)\.", told)) == refused
    assert not unfit_rows or code == 1


def test_no_row_that_a_greeting_alone_decides_is_left_out() -> None:
    """The oil is judged without a board, and said with the shop file; a protocol is told in other words."""
    told_otherwise = {"oil_unknown", "board_protocol"}
    seen = set()
    for wanted in (limits(), replace(limits(tank=False), oven_kind="J"), limits(oven=False), limits(oil=None)):
        for chip, fitted in product((6675, 31855, 31856), range(16)):
            board = BOARD._replace(chip=chip, fitted=fitted)
            core = Core(wanted)
            core.tick(0.0, Reading(board=board), ())
            acting = {row.name for row in TABLE if core.interlocks.acting(row.name)}
            assert acting - told_otherwise == {row.name for row in unfit(wanted, board)}
            seen |= acting
    assert seen >= set(doctor.SHOP_AND_BOARD)


def test_something_else_that_speaks_on_the_port_is_said_and_a_silent_port_is_not_that(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doctor, "LISTEN_S", 0.5)
    host, other = os.openpty()
    tty.setraw(other)
    words = ["doctor", "--data", str(tmp_path), "--device", os.ttyname(other)]
    ended = threading.Event()

    def speak() -> None:
        while not ended.wait(0.02):
            os.write(host, b"$GARBLED,1,2*5F\r\n\xff\x00")

    try:
        assert main(words) == 1
        told = capsys.readouterr().out
        assert "no board answers" in told
        assert "something else" not in told
        speaking = threading.Thread(target=speak)
        speaking.start()
        try:
            assert main(words) == 1
        finally:
            ended.set()
            speaking.join(5.0)
    finally:
        os.close(host)
        os.close(other)
    told = capsys.readouterr().out
    assert re.search(r"missing: something else speaks on this port: \d+ bytes came in 0.5 s, and nothing", told), told
    assert "no board answers" not in told


BOARD = Board(1, 3, 2, 41, 0, 56694, 7, 31855, 31000, 11000, 31000, 9000, 11000, 23, 1000)


def test_a_board_that_starts_anew_with_the_port_is_told_by_its_count_of_starts() -> None:
    assert "opening this port resets the board" in about_opening(BOARD, BOARD._replace(boots=42))
    assert "does not reset" in about_opening(BOARD, BOARD)
    assert "is not known" in about_opening(BOARD, None)


def test_a_damaged_book_is_missing_and_a_sound_one_good(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["doctor", "--data", str(tmp_path), "--device", str(tmp_path / "board")]
    path = database_path(tmp_path)
    records = Records(path, wall=lambda: 1.7e9, mono=lambda: 0.0)
    records.put_events(Event("presence", 0.0, "Somebody is there.", {}) for _ in range(500))
    assert records.close(10.0)
    main(words)
    assert f"good: the record in {tmp_path} has " in capsys.readouterr().out
    sound = path.read_bytes()
    for damaged in (b"\x55" * 9000, sound[:4096] + b"\x55" * (len(sound) - 4096)):
        path.write_bytes(damaged)
        assert main(words) == 1
        told = capsys.readouterr().out
        assert "good: the record" not in told
        assert re.search(r"missing: .*(damaged|cannot be read)", told), told
