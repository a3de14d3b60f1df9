"""The compiled copy of the campaigns: what it leaves as it is; one that is not compiled is not used."""

from __future__ import annotations

from tests.study import fast


def test_what_is_left_uncompiled_is_there() -> None:
    assert all((fast.ROOT / "controller" / name).is_file() for name in fast.LEFT)
    assert all((fast.ROOT / name).is_file() for name in fast.SINGLE)
    assert not any(name.startswith("core/") and name != "core/facts.py" for name in fast.LEFT)


def test_a_copy_that_is_not_compiled_is_not_used() -> None:
    lines = fast.played(fast.ROOT, (1, 2))
    assert lines[0] == "False"
    assert lines[1].startswith("Result(seed=1, ")
    assert not fast.same(fast.ROOT, (1, 2))
