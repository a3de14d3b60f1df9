"""The documents say what the code says, and the repository holds only what it should."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from controller.cli import COMMANDS
from controller.core.events import KINDS
from tests.documents.make_tables import DOCUMENT, filled

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def tracked() -> list[str]:
    return subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()


def test_the_tables_of_the_developers_document_are_up_to_date() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert text == filled(text), "run: python -m tests.documents.make_tables"


def test_every_event_in_the_code_is_in_the_list_of_kinds_and_the_other_way_round() -> None:
    files = [*(ROOT / "controller/core").glob("*.py"), ROOT / "controller/records/recorder.py"]
    source = "".join(path.read_text(encoding="utf-8") for path in files)
    made = set(re.findall(r'happened\(\s*"([a-z_]+)"', source)) | set(re.findall(r'Event\(\s*"([a-z_]+)"', source))
    made |= {"interlock_alert", "interlock_withheld", "interlock_tripped"}
    assert made == set(KINDS)


def test_every_command_in_the_readme_exists() -> None:
    named = set(re.findall(r"ovenhand ([a-z]+)", README))
    assert named <= set(COMMANDS) | {"is"}
    for target in ("rehearsal", "test"):
        assert f"make {target}" in README
        assert re.search(rf"^{target}:", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)


@pytest.mark.parametrize(
    "caution",
    ["licensed electrician", "local code", "listing", "safety data sheet", "contactor", "manual-reset",
     "never left alone", "never water", "eye protection", "CO alarm", "never the only barrier", "closed metal"],
)  # fmt: skip
def test_the_readme_carries_the_cautions(caution: str) -> None:
    assert caution.lower() in README.lower()


def test_the_top_level_holds_only_the_agreed_entries() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "controller", "firmware_notes", "tests", "profiles",
               ".ci", ".gitignore", "Makefile"}  # fmt: skip
    assert {path.split("/")[0] for path in tracked()} <= allowed
