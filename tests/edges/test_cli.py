"""The commands: help, what a user may get wrong, and what they print where. Every mistake is exit 2 and a sentence."""

from __future__ import annotations

import configparser
import errno
import io
import json
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from controller.cli import COMMANDS, main
from controller.commands import rehearse
from controller.commands.doctor import UNIT
from controller.commands.pairing import SOCKET_NAME, PairingSocket
from controller.commands.serve import how_to_pair
from controller.commands.shipped import demo_shop_text, load_shipped, shop_of
from controller.core.tick import Core
from controller.model import LoadItem
from controller.pump import Pump
from controller.sim.shop import SimShop
from controller.wire.link import Link
from tests.shop.process import ROOT

SHORT = '[[tempers]]\ntemperature_c = 90\nsoak_min = 2\nband_c = 8\n'


def wrong(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """What a command says to a mistake: exit 2, nothing on standard output, no traceback."""
    try:
        status = main(words)
    except SystemExit as end:  # argparse's own way
        status = int(end.code or 0)
    told = capsys.readouterr()
    assert status == 2, (status, told)
    assert told.out == ""
    assert "Traceback" not in told.err
    assert told.err.strip()
    return told.err


def test_without_a_command_the_help_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    told = wrong([], capsys)
    for name in COMMANDS:
        assert f"    {name} " in told


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_its_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main([name, "--help"])
    assert end.value.code == 0
    assert f"usage: ovenhand {name}" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [["plan"], ["plan", "temper"]])
def test_help_shows_one_percent_sign(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([*arguments, "--help"])
    told = " ".join(capsys.readouterr().out.split())
    assert "90 % band" in told
    assert "%%" not in told


def test_the_way_to_a_code_names_the_data_directory_that_was_named() -> None:
    assert how_to_pair(None).endswith("ovenhand pair")
    assert how_to_pair(Path("/srv/the shop")).endswith("ovenhand pair --data '/srv/the shop'")


def test_only_the_command_asked_for_is_loaded() -> None:
    code = (
        "import sys; from controller.cli import main; main(['pair', '--data', '/nonexistent']); "
        "print('fastapi' in sys.modules or 'uvicorn' in sys.modules or 'serial' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stdout == "False\n"


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["bake"], "invalid choice: 'bake'"),
        (["serve", "--speed", "nan", "--rehearsal"], "--speed lies between 1 and 20"),
        (["serve", "--speed", "21", "--rehearsal"], "--speed lies between 1 and 20"),
        (["serve", "--speed", "5"], "are for a rehearsal"),
        (["serve", "--rehearsal", "--device", "/dev/null"], "leave out --shop and --device"),
        (["serve", "--shop", "no-such-file.toml"], "There is no such file"),
        (["serve", "--port", "99999"], "1 to 65535"),
        (["serve", "--port", "eighty"], "invalid int value: 'eighty'"),
        (["pair"], "No service answers in"),
        (["pair", "--role", "owner"], "invalid choice: 'owner'"),
        (["rehearse"], "required: PROGRAM"),
        (["rehearse", "drift", "--load-kg", "nan"], "--load-kg is nan; it must lie between 0.005 and 20."),
        (["rehearse", "drift", "--load-kg", "-1"], "--load-kg is -1"),
        (["rehearse", "drift", "--section-mm", "inf"], "--section-mm is inf"),
        (["rehearse", "drift", "--start-c", "2000"], "--start-c is 2000"),
        (["rehearse", "no-such-file.toml"], "There is no such file"),
        (["doctor", "--shop", "no-such-file.toml"], "There is no such file"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_mistake_is_a_sentence(
    words: list[str], part: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    assert part in wrong(words, capsys)


def test_an_unknown_program_lists_the_known(capsys: pytest.CaptureFixture[str]) -> None:
    told = wrong(["rehearse", "drfit"], capsys)
    assert 'Probably "drift" was meant.' in told
    assert "The programs are: " in told
    assert "chisel" in told


def test_every_wrong_number_is_told_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    told = wrong(["rehearse", "drift", "--load-kg", "0", "--section-mm", "0", "--start-c", "-300"], capsys)
    assert [line.split(" is ")[0] for line in told.splitlines()] == ["--load-kg", "--section-mm", "--start-c"]


# --- serve ---------------------------------------------------------------------------------------------------


def test_a_port_that_is_taken_is_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        words = ["serve", "--rehearsal", "--host", "127.0.0.1", "--port", str(port), "--data", str(tmp_path)]
        assert f"Port {port} is taken by another program." in wrong(words, capsys)


def test_a_data_directory_that_is_a_file_is_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "data").touch()
    assert "cannot be used" in wrong(["serve", "--rehearsal", "--data", str(tmp_path / "data")], capsys)


# --- pair ----------------------------------------------------------------------------------------------------


@pytest.fixture
def deep(tmp_path: Path) -> Path:
    """A directory whose path is longer than a socket's name may be."""
    path = tmp_path / ("d" * 120)
    path.mkdir()
    return path


def test_the_code_is_alone_on_the_first_line_and_the_rest_goes_to_standard_error(
    deep: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    roles: list[str] = []

    def new_code(role: str) -> str:
        roles.append(role)
        return "ABCD2345"

    answering = PairingSocket(deep, new_code, ["http://192.0.2.7:8420/"])
    try:
        assert os.stat(deep / SOCKET_NAME).st_mode & 0o777 == 0o600
        assert main(["pair", "--data", str(deep), "--role", "viewer"]) == 0
    finally:
        answering.close()
    told = capsys.readouterr()
    assert told.out == "ABCD2345\n"
    assert "http://192.0.2.7:8420/" in told.err
    assert "█" in told.err or "▄" in told.err
    assert roles == ["viewer"]
    assert not (deep / SOCKET_NAME).exists()
    assert "No service answers" in wrong(["pair", "--data", str(deep)], capsys)


def test_a_connection_that_could_not_be_taken_ends_no_pairing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.commands.pairing.AGAIN_S", 0.01)
    faults = [OSError(errno.EMFILE, "Too many open files"), OSError(errno.ECONNABORTED, "Gone")]
    taken = socket.socket.accept

    def accept(self: socket.socket) -> Any:
        if faults:
            raise faults.pop()
        return taken(self)

    monkeypatch.setattr("socket.socket.accept", accept)
    answering = PairingSocket(tmp_path, lambda role: "ABCD2345", [])
    try:
        assert main(["pair", "--data", str(tmp_path)]) == 0
    finally:
        answering.close()
    assert capsys.readouterr().out == "ABCD2345\n"
    assert faults == []


def test_a_card_that_takes_nothing_any_more_keeps_no_service_from_ending(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answering = PairingSocket(tmp_path, lambda role: "ABCD2345", [])

    def read_only(self: Path, missing_ok: bool = False) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr("pathlib.Path.unlink", read_only)
    answering.close()
    monkeypatch.undo()
    assert (tmp_path / SOCKET_NAME).exists()
    PairingSocket(tmp_path, lambda role: "ABCD2345", []).close()
    assert not (tmp_path / SOCKET_NAME).exists()


# --- rehearse ------------------------------------------------------------------------------------------------


def rehearsed(tmp_path: Path, *words: str) -> dict[str, Any]:
    (tmp_path / "short.toml").write_text('name = "short"\n' + SHORT)
    figures = tmp_path / "figures.json"
    assert main(["rehearse", str(tmp_path / "short.toml"), "--json", str(figures), *words]) == 0
    found: dict[str, Any] = json.loads(figures.read_text())
    return found


def test_a_rehearsed_run_gives_the_promised_figures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = rehearsed(tmp_path, "--load-kg", "0.2", "--section-mm", "10")
    assert list(found) == [
        "outcome", "program", "seed", "duration_s", "tempers", "energy_kwh", "trips", "times_real_time",
    ]  # fmt: skip
    assert (found["outcome"], found["program"], found["seed"], found["trips"]) == ("ended", "short", 0, [])
    (temper,) = found["tempers"]
    assert list(temper) == [
        "temperature_c", "soak_s", "in_band_s", "part_peak_c", "air_peak_c", "part_rms_c", "equivalent_c",
        "equivalent_s",
    ]  # fmt: skip
    assert temper["in_band_s"] >= temper["soak_s"] == 120
    assert 82.0 <= temper["part_peak_c"] <= temper["air_peak_c"]
    assert found["duration_s"] > temper["in_band_s"]
    assert 0.0 < found["energy_kwh"] < 1.5
    told = capsys.readouterr()
    assert told.out.startswith("short: ended after ")
    assert "[" not in told.err, "a progress bar where there is no terminal"


def test_the_same_seed_gives_the_same_run_and_another_another(tmp_path: Path) -> None:
    once, again, other = (rehearsed(tmp_path, "--seed", seed) for seed in ("3", "3", "4"))
    for one in (once, again, other):
        del one["times_real_time"], one["seed"]
    assert once == again
    assert once != other


def test_json_to_standard_output_is_json_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "short.toml").write_text('name = "short"\n' + SHORT)
    assert main(["rehearse", str(tmp_path / "short.toml"), "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["outcome"] == "ended"


def test_an_oven_too_hot_to_start_is_refused_with_the_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "short.toml").write_text('name = "short"\n' + SHORT)
    told = wrong(["rehearse", str(tmp_path / "short.toml"), "--start-c", "200"], capsys)
    assert "more than 15 °C above the first temper" in told


def test_a_run_that_is_not_over_in_time_is_stopped_and_says_what_holds_it_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rehearse, "LONGEST_S", 120.0)
    (tmp_path / "short.toml").write_text('name = "short"\n' + SHORT)
    assert main(["rehearse", str(tmp_path / "short.toml")]) == 3
    told = capsys.readouterr().out
    assert told.startswith("short: stopped after 0 h 2 min.\n  It was not over after 0.0333333 simulated hours")
    assert "No interlock withheld heat; it was in its heat up." in told
    assert main(["rehearse", str(tmp_path / "short.toml"), "--json", "-"]) == 3
    told_apart = capsys.readouterr()
    assert json.loads(told_apart.out)["outcome"] == "stopped"
    assert told_apart.err.startswith("It was not over after ")


def a_rehearsal(bar: io.StringIO | None = None) -> tuple[rehearse.Rehearsed, SimShop]:
    library = load_shipped()
    limits = shop_of(demo_shop_text(), library, name="demo.toml").limits
    load = (LoadItem(0.2, 10.0),)
    shop = SimShop(0, load=load)
    return rehearse.Rehearsed(shop, Pump(lambda _: Core(limits), Link()), library.programs["drift"], load, bar), shop


def test_a_rehearsal_that_trips_or_that_nobody_arms_says_how_it_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    bar = io.StringIO()
    bar_of_one, shop = a_rehearsal(bar)
    begin = shop.exchange

    def later(data: bytes, dt_s: float) -> bytes:
        if shop.now_s == 300.0:
            shop.fault("oven_sensor_open", True)
        return begin(data, dt_s)

    monkeypatch.setattr(shop, "exchange", later)
    assert bar_of_one.run() == "tripped"
    assert "oven_sensor_lost" in bar_of_one.trips
    assert "An oven sensor was lost while the oven was heating." in bar_of_one.ending
    assert "100%" not in bar.getvalue()
    assert bar.getvalue().endswith("\n")

    unarmed, shop = a_rehearsal()
    monkeypatch.setattr(shop, "press", lambda button: None)
    assert unarmed.run() == "stopped"
    assert unarmed.ending == "Nobody pressed the arm button within 5 min."


def test_a_run_that_an_interlock_holds_up_for_ever_says_which(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rehearse, "LONGEST_S", 900.0)
    held, shop = a_rehearsal()
    begin = shop.exchange

    def later(data: bytes, dt_s: float) -> bytes:
        if shop.now_s == 300.0:
            shop.fault("door_open", True)
        return begin(data, dt_s)

    monkeypatch.setattr(shop, "exchange", later)
    assert held.run() == "stopped"
    assert "The oven door is open." in held.ending


# --- doctor --------------------------------------------------------------------------------------------------


def test_the_unit_is_one_that_systemd_reads(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--unit"]) == 0
    unit = configparser.ConfigParser(strict=False, interpolation=None)  # a key may stand more than once in a unit
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read_string(capsys.readouterr().out)
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert service["WatchdogSec"] == "10"
    assert service["DynamicUser"] == "yes"
    assert service["ExecStart"].startswith(f"{sys.executable} -m controller serve")
    assert service["LoadCredential"] == "shop.toml:/etc/ovenhand/shop.toml"
    assert "{" not in UNIT.format(python="x")


def test_systemd_finds_no_fault_in_the_unit_and_little_exposed(tmp_path: Path) -> None:
    unit = tmp_path / "ovenhand.service"
    unit.write_text(UNIT.format(python=sys.executable))
    verified = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False)
    assert (verified.returncode, verified.stderr) == (0, "")
    command = ["systemd-analyze", "security", "--offline=true", "--threshold=20", str(unit)]
    exposed = subprocess.run(command, capture_output=True, text=True, check=False)
    assert exposed.returncode == 0, exposed.stdout[-200:]
    print(exposed.stdout.splitlines()[-1])


def test_doctor_says_what_is_missing_and_ends_with_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--data", str(tmp_path), "--device", str(tmp_path / "board")]) == 1
    told = capsys.readouterr().out
    assert f"good: the record in {tmp_path} has " in told
    assert f"missing: {tmp_path / 'board'} is not there: plug the board in" in told


def test_doctor_looks_at_a_directory_below_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").touch()
    assert main(["doctor", "--data", str(tmp_path / "file" / "data"), "--device", "/dev/null"]) == 1
    assert "cannot be written" in capsys.readouterr().out
