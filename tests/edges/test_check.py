"""`ovenhand check`: what it says of files, what it writes, and what it leaves alone."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path

import pytest

from controller.commands import check
from controller.commands.shipped import shipped_root
from controller.settings import FIRST_SHOP_FILE

GOOD = "[oven]\nheater_w = 1500\n"
PROGRAM = "[[tempers]]\ntemperature_c = {}\nsoak_min = 45\n"


@pytest.fixture(autouse=True)
def _in_an_empty_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)


def run(*words: str) -> int:
    parser = ArgumentParser()
    check.add_arguments(parser)
    return check.run(parser.parse_args(words))


def test_without_a_file_the_profiles_are_checked(capsys: pytest.CaptureFixture[str]) -> None:
    assert run() == 0
    said = capsys.readouterr()
    assert said.out.startswith("6 programs, ")
    assert "No shop.toml" in said.err


def test_without_a_file_a_shop_file_in_the_folder_is_found(capsys: pytest.CaptureFixture[str]) -> None:
    Path("shop.toml").write_text("[oven]\n")
    assert run() == 2
    assert "shop.toml, line 1: oven.heater_w is missing" in capsys.readouterr().err


def test_a_sound_file_goes_to_standard_output_in_the_units_it_asks_for(capsys: pytest.CaptureFixture[str]) -> None:
    Path("a.toml").write_text(f'units = "F"\n{GOOD}')
    assert run("a.toml") == 0
    assert capsys.readouterr().out == "a.toml: a sound shop file. Oven: setpoints to 500 °F, trips at 572 °F.\n"


def test_the_tank_is_told_with_its_limits_or_as_not_heated(capsys: pytest.CaptureFixture[str]) -> None:
    tank = '[tank]\nheater_w = 900\nvolume_l = 10\noil = "{}"\n'
    Path("a.toml").write_text(tank.format("canola"))
    Path("b.toml").write_text(tank.format("mine") + '[[oil]]\nname = "mine"\n')
    Path("c.toml").write_text(tank.format("mine") + '[[oil]]\nname = "mine"\nkind = "used"\nflash_point_c = 200\n')
    assert run("a.toml", "b.toml", "c.toml") == 0
    said = capsys.readouterr()
    assert "bath to 75 °C, heater off at 90 °C, trips at 110 °C." in said.out
    assert said.out.count("Tank: not heated.") == 2
    assert "b.toml: note: The flash point of mine is not known" in said.err
    assert "c.toml: note: mine: used oil is not heated" in said.err


def test_every_fault_of_every_file_one_line_each_and_exit_2(capsys: pytest.CaptureFixture[str]) -> None:
    Path("good.toml").write_text(GOOD)
    Path("bad.toml").write_text('units = "K"\n[oven]\nheater_w = -1\nlimit_c = 2000\n')
    Path("hot.toml").write_text(PROGRAM.format(900))
    Path("empty.toml").write_text("")
    Path("blob.toml").write_bytes(b"\x00\xff" * 500_000)
    Path("folder.toml").mkdir()
    names = ("bad.toml", "good.toml", "hot.toml", "empty.toml", "blob.toml", "folder.toml", "not_there.toml")
    assert run(*names) == 2
    said = capsys.readouterr()
    assert said.out.startswith("good.toml: a sound shop file.")
    assert said.out.count("\n") == 1
    lines = said.err.splitlines()
    assert [line for line in lines if line.startswith("bad.toml, line ")] == [
        'bad.toml, line 1: units is "K"; right is "C" or "F".',
        "bad.toml, line 3: oven.heater_w is -1; right is a number from 100 to 6000 W.",
        "bad.toml, line 4: oven.limit_c is 2000; right is a number from 100 to 300 °C.",
    ]
    assert "bad.toml: 3 faults; nothing of it is used until they are mended." in lines
    for name in names[2:]:
        assert any(line.startswith(name) and ("right" in line or "no such file" in line) for line in lines), name
    assert "Traceback" not in said.err


def test_what_a_file_is_shows_in_its_keys_or_its_folder(capsys: pytest.CaptureFixture[str]) -> None:
    Path("mine.toml").write_text('name = "letter opener"\n' + PROGRAM.format(190))
    for folder in ("oils", "steels"):
        text = next(iter(sorted((shipped_root() / folder).iterdir(), key=str))).read_text(encoding="utf-8")
        Path(f"{folder}.toml").write_text(text, encoding="utf-8")
    assert run("mine.toml", "oils.toml", "steels.toml") == 0
    out = capsys.readouterr().out
    assert 'mine.toml: a sound program, "letter opener": 190 °C for 45 min.' in out
    assert "oils.toml: a sound oil" in out
    assert "steels.toml: a sound steel" in out
    Path("programs").mkdir()
    Path("programs/b.toml").write_text("[oven]\n")
    assert run("programs/b.toml") == 2
    assert "tempers is missing" in capsys.readouterr().err


def test_all_shipped_files_pass_as_files(capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(file) for folder in shipped_root().iterdir() if folder.is_dir() for file in folder.iterdir()]
    files = [file for file in files if file.endswith(".toml")]
    assert len(files) > 20
    assert run(*files) == 0
    assert capsys.readouterr().out.count("a sound ") == len(files)


def test_a_new_file_is_written_once_and_is_sound(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--new", "first.toml") == 0
    assert Path("first.toml").read_text(encoding="utf-8") == FIRST_SHOP_FILE
    assert run("first.toml") == 0
    Path("first.toml").write_text("# mine\n")
    capsys.readouterr()
    assert run("--new", "first.toml") == 2
    assert Path("first.toml").read_text() == "# mine\n"
    assert "is there already and was left as it is" in capsys.readouterr().err


def test_a_new_file_where_none_can_be_written_is_a_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--new", "no/such/folder/first.toml") == 2
    assert "was not written" in capsys.readouterr().err


def test_own_profiles_of_the_data_directory_are_checked_and_known(capsys: pytest.CaptureFixture[str]) -> None:
    folder = Path("data/profiles/programs")
    folder.mkdir(parents=True)
    (folder / "hot.toml").write_text(PROGRAM.format(900))
    assert run("--data", "data") == 2
    assert "tempers 1: temperature_c is 900; right is a number from 60 to 260 °C." in capsys.readouterr().err
