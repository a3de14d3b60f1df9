"""The table walked on the simulated shop, through plant, board twin, wire, link and core: for every row its cause
comes, heat goes off at the board's output in time, the sentence says it, it ends only as stated, and a restart
forgets no trip. A row without a recipe fails, so that a new one is tested the day it is added.
"""

from __future__ import annotations

from copy import deepcopy
from functools import cache

import pytest

from controller.core.table import TABLE, Row
from controller.model import Confirm, Outcome, Preheat, Presence, Resume, RowState, StopAll, Wish
from controller.words import CAUSES, sentence
from tests.core.row_recipes import RECIPES, SHOPS, Recipe, Shop

STEP_S = 0.01


@cache
def prepared(before: object) -> Shop:
    shop = Shop()
    before(shop)  # type: ignore[operator]
    return shop


def shop_for(row: Row, recipe: Recipe) -> Shop:
    """Where heat is on; the full kit's states are made once and copied."""
    if row.name not in SHOPS:
        return fresh(prepared(recipe.before))
    shop = SHOPS[row.name]()
    recipe.before(shop)
    return shop


def fresh(shop: Shop) -> Shop:
    return deepcopy(shop)


def output_on(shop: Shop, recipe: Recipe) -> bool:
    board = shop.shop.board
    return bool({"oven": board.oven_on, "tank": board.tank_on, "contactor": board.contactor}[recipe.output])


def on_ms(shop: Shop, recipe: Recipe) -> int:
    """How long the board's output was on, ms since its boot; a contactor has no such count."""
    zone = {"oven": 0, "tank": 1}.get(recipe.output)
    return 0 if zone is None else shop.shop.board._outputs.on_ms(zone)


def state_of(shop: Shop, row: Row) -> RowState:
    return next(one for one in shop.core.interlocks.rows() if one.name == row.name)


def acts(shop: Shop, row: Row) -> bool:
    return shop.core.interlocks.acting(row.name)


class Watch:
    """Ticks a shop and notes, at the board and every few milliseconds, when the cause was there and when the output
    was last on; and in which tick the row acted."""

    def __init__(self, shop: Shop, row: Row, recipe: Recipe) -> None:
        self.shop, self.row, self.recipe = shop, row, recipe
        self.cause_s: float | None = None
        self.acted_s: float | None = None
        self.last_on_s = self.on_before_s = float("-inf")
        self.driving = False
        self.plain_tick, self.plain_exchange = shop.tick, shop.shop.exchange
        shop.tick = self.tick  # type: ignore[method-assign]
        shop.shop.exchange = self.exchange  # type: ignore[method-assign]

    def begin(self) -> None:
        """The cause comes now, or from now on where the recipe looks for it."""
        self.driving = True
        if self.recipe.since is None:
            self.cause_s = self.shop.shop.now_s

    def tick(self, *wishes: Wish) -> Outcome:
        if self.row.name == "shared_circuit" and self.driving:
            self.shop.core.facts.duty_sum = 1.2
        outcome = self.plain_tick(*wishes)
        if self.acted_s is None and acts(self.shop, self.row):
            self.acted_s = self.shop.shop.now_s
        return outcome

    def exchange(self, data: bytes, dt_s: float) -> bytes:
        """The same time in small steps; on in any part of one counts as on to its end."""
        back = b""
        for _ in range(round(dt_s / STEP_S)):
            before = on_ms(self.shop, self.recipe)
            back += self.plain_exchange(data, STEP_S)
            data = b""
            now_s = self.shop.shop.now_s
            if on_ms(self.shop, self.recipe) > before or output_on(self.shop, self.recipe):
                self.last_on_s = now_s
            if self.driving and self.cause_s is None and self.recipe.since is not None and self.recipe.since(self.shop):
                self.cause_s = now_s
            if self.cause_s is None:
                self.on_before_s = self.last_on_s
        return back


def named(shop: Shop) -> str:
    assert shop.outcome is not None
    return " ".join(sentence(shop.outcome.snapshot, units="C", data_age_s=0.0))


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_the_cause_takes_the_heat_off_in_time_is_named_and_ends_only_as_stated(row: Row) -> None:
    assert row.name in RECIPES, "a new row needs a recipe in tests/core/row_recipes.py"
    recipe = RECIPES[row.name]
    shop = shop_for(row, recipe)
    assert shop.core.moment.armed
    watch = Watch(shop, row, recipe)
    if recipe.heated:
        shop.run(1.25)
        assert not acts(shop, row), "not before its cause"
    watch.begin()
    recipe.cause(shop)
    shop.run(recipe.acts_s, lambda: watch.acted_s is not None)
    assert watch.acted_s is not None, [one.name for one in shop.core.interlocks.failing("oven")]
    the_row_says_it(shop, row)
    shop.run(3.0)
    if recipe.within_s is not None:
        assert watch.cause_s is not None
        assert not recipe.heated or watch.on_before_s > watch.cause_s - 1.1, "it heated until its cause came"
        off_s = watch.last_on_s - watch.cause_s
        print(f"time to off: {row.name} {off_s:.2f} s of {recipe.within_s:.2f} s {recipe.why}")
        assert off_s <= recipe.within_s
        assert not output_on(shop, recipe), "and it stays off"
    if row.action == "trip":
        a_trip_ends_only_at_the_machine(shop, row, recipe, watch)
    else:
        a_withhold_ends_with_its_cause(shop, row, recipe, watch)


def the_row_says_it(shop: Shop, row: Row) -> None:
    state = state_of(shop, row)
    assert (state.state, state.text) == (row.action, row.text)
    if row.zone == "tank" and not RECIPES[row.name].heated:
        # Nothing is wanted of the tank, so the headline has no word for it: the refusal says it.
        shop.tick(Preheat(50.0))
        assert {row.name, "oil_refused"} & set(shop.refusal())
        return
    said = named(shop)
    level = [one for one in shop.core.interlocks.rows() if one.state == row.action]
    words = [CAUSES[one.name][0] for one in level if one.name in CAUSES] + [one.text for one in level]
    quiet = row.action == "withhold" and shop.outcome is not None and shop.outcome.snapshot.verdict == "trip"
    assert quiet or row.action == "alert" or shop.outcome is None or any(
        word in said for word in words
    ) or said_apart(row.name, said), said


def said_apart(name: str, said: str) -> bool:
    """Sentences that are more than a row: the fire text, a silent or foreign board, a board's own trip, a figure."""
    apart = {
        "oil_trip": "The oil may catch fire", "oil_still_rising": "The oil may catch fire",
        "board_silent": "No data for", "board_protocol": "do not fit together",
        "board_trip": "a heater draws current though switched off", "oven_limit": "the oven passed 300 °C",
        "tank_limit": "The oil is too hot", "run_paused": "is paused", "part_unknown": "Go on by the air",
        "oven_falling_asked": "Is the door open",
        "tank_fitted": "Waiting for your hand",  # the board started anew: the row is named once it is armed
    }  # fmt: skip
    return name in apart and apart[name] in said


def a_withhold_ends_with_its_cause(shop: Shop, row: Row, recipe: Recipe, watch: Watch) -> None:
    lasting = row.name not in ("part_over", "oven_hot", "oil_step", "oil_enough", "oven_jump")
    if lasting:
        shop.run(2.0)
        assert acts(shop, row) or row.name == "oven_sensor", "not before its cause is gone"
    watch.driving = False
    recipe.undo(shop)
    if recipe.needs:
        shop.run(10.0)
        assert acts(shop, row), "not by itself"
        recipe.needs(shop)
    if row.name != "oil_unknown":
        shop.run(recipe.clears_s + 10.0, lambda: not acts(shop, row))
        assert not acts(shop, row)


def a_trip_ends_only_at_the_machine(shop: Shop, row: Row, recipe: Recipe, watch: Watch) -> None:
    tripped_s = shop.shop.now_s
    assert not row.latched or row.name in shop.core.state()["latched"]
    if row.name in STANDS:
        shop.shop.press("reset")
        shop.run(4.0)
        assert acts(shop, row), "a cause that stands cannot be reset"
    watch.driving = False
    recipe.undo(shop)
    shop.restart()
    shop.run(5.0)
    assert acts(shop, row), "a restart forgets no trip"
    shop.tick(StopAll(), Presence(), Resume(1), Confirm("door", True), Confirm("air", True))
    shop.run(35.0)
    assert acts(shop, row), "not by stop, presence, resume, an answer or time"
    shop.shop.press("arm")
    shop.run(2.0)
    assert acts(shop, row), "nor by the arm button"
    shop.shop.press("reset", held_s=1.0)
    shop.run(3.0)
    assert acts(shop, row), "nor by a press that is not held"
    assert watch.last_on_s <= tripped_s, "no heat in all this time"
    if row.proven:
        shop.shop.press("reset")
        shop.run(5.0)
        assert acts(shop, row), "not before it was judged anew after the restart"
        shop.run(PROOF_S)
    shop.shop.press("reset")
    shop.run(5.0)
    assert not acts(shop, row), "by the reset button, its cause gone"


# The oil's rule looks back over ten minutes, after three without heat.
PROOF_S = 800.0
# Causes that stand for as long as nobody undoes them, whatever the heat does.
STANDS = {"stop_circuit", "smoke", "oven_sensor_lost", "oil_trip", "tank_sensor_lost", "level_heating", "oven_limit"}


def test_no_recipe_is_left_over() -> None:
    unknown = set(RECIPES) - {row.name for row in TABLE}
    assert unknown == set()
