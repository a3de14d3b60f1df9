"""Every test of the board twin's rules, run on guard.c itself.

The tests of `tests/firmware/test_twin_*.py` know a board only by its wire, contacts and pins; here they get one that
is made of the firmware's own safety core.
"""

from __future__ import annotations

import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.firmware import twin_rig
from tests.firmware.guard.host import HostBoard

TWIN_TESTS = Path(__file__).parents[1]
OF_THE_TWIN_ALONE = {
    # the firmware's number is compiled in
    "test_a_board_says_hello_once_after_its_boot",
    "test_a_greeting_is_answered_with_what_the_board_is",
}


def on_the_guard(name: str) -> dict[str, Callable[..., Any]]:
    """The tests of one of the twin's test modules, with the firmware's board in their rig."""
    rig = types.ModuleType("rig")
    exec(compile((TWIN_TESTS / "twin_rig.py").read_text(), "twin_rig.py", "exec"), rig.__dict__)
    rig.__dict__["Board"] = HostBoard
    path = TWIN_TESTS / f"test_twin_{name}.py"
    module = types.ModuleType(f"guard_{name}")
    exec(compile(path.read_text(), str(path), "exec"), module.__dict__)
    for word in vars(twin_rig):
        if word in vars(module) and not word.startswith("__"):
            setattr(module, word, getattr(rig, word))
    found = {key: value for key, value in vars(module).items() if key.startswith("test_")}
    return {f"{key}__{name}": value for key, value in found.items() if key not in OF_THE_TWIN_ALONE}


for part in ("arming", "limits", "outputs", "session", "trips", "wire"):
    globals().update(on_the_guard(part))
