"""A step in oil of which nothing is known."""

from __future__ import annotations

from tests.core.rig import Rig, limits


def test_a_quench_into_oil_that_nobody_named_is_seen_without_a_mass() -> None:
    rig = Rig(limits(oil=None))
    rig.run(30.0)
    rig.shop.fault("quench", True)
    rig.run(120.0)
    seen = [event.data for event in rig.events if event.kind == "quench_seen"]
    assert [data["mass_kg"] for data in seen] == [None]
    assert seen[0]["rise_k"] > 3.0
