"""The page in a real browser, on scripted states: what it says, how it fits, and what it does with what is old."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, cast

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from controller.words import sentence
from tests.page.browser import chromium
from tests.page.fake import HOSTILE, REFUSAL, Script, fake
from tests.page.shop_states import STATES

SMALLEST: ViewportSize = {"width": 320, "height": 640}
CLOCK = re.compile(r"\d\d:\d\d")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@contextmanager
def opened(
    browser: Browser, script: Script, place: str = "", units: str = "C", *, prepared: str = "", touch: bool = False
) -> Iterator[Page]:
    """The page of a scripted shop on the smallest phone; nothing may be complained of in its console.

    `prepared`: script that runs before the page's own.
    """
    with fake(script) as address:
        context = browser.new_context(
            viewport=SMALLEST, locale="en-GB", timezone_id="Europe/Vienna", has_touch=touch
        )
        context.add_init_script(prepared)
        page = context.new_page()
        wrong: list[str] = []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda line: wrong.append(line.text) if line.type in ("error", "warning") else None)
        page.add_init_script(f"localStorage.setItem('units', '{units}')")
        page.goto(f"{address}/#{place}")
        yield page
        # A refusal is logged by the browser itself as a failed load; nothing else may be.
        assert [text for text in wrong if "Failed to load resource" not in text] == []
        context.close()


def said(text: str) -> re.Pattern[str]:
    """The sentence with any clock time where the token stood, and any space where a blank stood."""
    parts = re.split(r"\{in:\d+\}", text)
    return re.compile("^" + CLOCK.pattern.join(re.escape(part).replace(r"\ ", r"\s") for part in parts) + "$")


@pytest.mark.parametrize("state", STATES)
def test_every_state_says_its_sentence_and_fits_the_smallest_phone(browser: Browser, state: str) -> None:
    headline, advice = sentence(STATES[state](), units="C", data_age_s=0.1)
    script = Script(state)
    with opened(browser, script) as page:
        top = page.locator(".fire" if state == "fire" else ".top")
        expect(top.locator("h1")).to_have_text(said(headline))
        if state == "fire":
            expect(top.locator("li")).to_have_text(re.split(r"(?<=\.)\s+", advice))
        else:
            expect(top.locator("p").first).to_have_text(said(advice))
        assert page.evaluate("document.documentElement.scrollWidth") <= SMALLEST["width"]
        box = page.locator(".fire .stop" if state == "fire" else "#stop").bounding_box()
        assert box is not None
        assert box["height"] >= 56
        assert box["y"] + box["height"] <= SMALLEST["height"]


@pytest.mark.parametrize("state", ["soak", "oil_ready", "withheld_door", "trip_oven"])
def test_every_control_is_at_least_48_px(browser: Browser, state: str) -> None:
    with opened(browser, Script(state, mode="rehearsal")) as page:
        expect(page.locator(".panel")).to_be_visible()
        small = page.evaluate(
            "[...document.querySelectorAll('button, a, summary, input')].filter((one) => one.offsetParent)"
            ".map((one) => [one.textContent, one.getBoundingClientRect()])"
            ".filter(([, box]) => box.height < 48).map(([text]) => text)"
        )
        assert small == []


def test_no_text_is_smaller_than_17_px(browser: Browser) -> None:
    for place in ("Now", "Programs", "Steel", "Book", "Shop"):
        with opened(browser, Script("both", mode="rehearsal"), place) as page:
            expect(page.locator("main h1")).to_be_visible()
            sizes = page.evaluate(
                "[...document.querySelectorAll('body *')].filter((one) => one.offsetParent && one.childNodes.length)"
                ".map((one) => parseFloat(getComputedStyle(one).fontSize))"
            )
            assert min(sizes) >= 17, place
            assert set(sizes) <= {17, 18, 28}, place


def test_fahrenheit_everywhere(browser: Browser) -> None:
    with opened(browser, Script("trip_oven"), units="F") as page:
        expect(page.locator(".top")).to_contain_text("36 °F below the limit")
        expect(page.locator("main")).to_contain_text("574.7 °F")
        expect(page.locator("main")).not_to_contain_text("°C")


def test_the_choice_of_units_is_kept(browser: Browser) -> None:
    script = Script("soak")
    with fake(script) as address:
        context = browser.new_context(viewport=SMALLEST)
        page = context.new_page()
        page.goto(f"{address}/#Shop")
        page.get_by_role("button", name="°F").click()
        page.get_by_role("button", name="Now", exact=True).click()
        expect(page.locator("main")).to_contain_text("400.3 °F")
        page.reload()
        expect(page.locator("main")).to_contain_text("400.3 °F")
        context.close()


def test_old_data_is_said_greyed_and_nothing_can_be_started(browser: Browser) -> None:
    script = Script("nothing_on_armed")
    with opened(browser, script) as page:
        expect(page.get_by_role("button", name="Start a temper")).to_be_enabled()
        script.silent = True
        expect(page.locator(".top h1")).to_have_text(re.compile(r"^No data for \d+\ss\. The numbers below are old\.$"))
        expect(page.locator("canvas")).to_have_class("old")
        expect(page.get_by_role("button", name="Start a temper")).to_be_disabled()
        expect(page.locator("#stop")).to_be_enabled()
        script.silent = False
        expect(page.locator(".top h1")).to_have_text("Everything is cold.")


def test_a_book_that_takes_nothing_is_said_in_words(browser: Browser) -> None:
    script = Script("soak")
    with opened(browser, script) as page:
        expect(page.locator(".top h1")).to_contain_text("Soaking")
        expect(page.get_by_text("The book takes nothing now.")).to_have_count(0)
        script.record_trouble = "The disk is full: free some space on the disk that holds the book."
        expect(page.get_by_text("The book takes nothing now. The disk is full: free some space")).to_be_visible()


def test_a_name_like_a_tag_stays_a_name(browser: Browser) -> None:
    for place in ("Programs", "Book", "Shop"):
        with opened(browser, Script("soak"), place) as page:
            expect(page.locator("main")).to_contain_text("<b>other</b>" if place == "Shop" else HOSTILE)
            assert page.evaluate("window.broken") is None
            assert page.evaluate("document.documentElement.scrollWidth") <= SMALLEST["width"], place


def test_a_start_names_program_load_and_end_before_it_is_asked(browser: Browser) -> None:
    script = Script("nothing_on_armed")
    with opened(browser, script, "Programs") as page:
        page.get_by_role("button", name="Choose double temper").click()
        page.locator("[name=mass]").fill("0.4")
        page.get_by_role("button", name="Another piece").click()
        page.locator("[name=section]").nth(1).fill("12")
        page.get_by_role("button", name="Next").click()
        box = page.locator("dialog")
        expect(box.get_by_role("heading")).to_have_text("Start double temper?")
        expect(box).to_contain_text("205 °C for 2 h, then 205 °C for 2 h")
        expect(box).to_contain_text("0.4 kg, 20 mm thick; 12 mm thick, 200 mm long")
        expect(box).to_contain_text(re.compile(r"Soaks fromabout \d\d:\d\d ± 8\smin"))
        expect(box).to_contain_text(re.compile(r"Endsabout \d\d:\d\d ± 15\sminif heat comes now"))
        assert script.asked == []
        script.state = "heat_up"
        box.get_by_role("button", name="Start").click()
        expect(page.locator(".top h1")).to_contain_text("Bringing")
        load = [{"mass_kg": 0.4, "section_mm": 20}, {"section_mm": 12, "length_mm": 200}]
        assert script.asked == [("oven/start", {"program": "double temper", "load": load})]


def test_all_reasons_of_a_refusal_are_shown_in_words(browser: Browser) -> None:
    script = Script("nothing_on_armed")
    script.refuses = True
    with opened(browser, script, "Programs", units="F") as page:
        page.get_by_role("button", name="Choose drift").click()
        page.get_by_role("button", name="Next").click()
        page.locator("dialog").get_by_role("button", name="Start").click()
        expect(page.locator("#said")).to_have_text(
            "Temper 1 asks 518 °F; the highest in this oven is 500 °F. "
            "The oven door is open. Shut it and the heat comes back."
        )
    assert len(cast(list[Any], REFUSAL["reasons"])) == 2


def test_stop_is_believed_only_when_the_snapshot_shows_it(browser: Browser) -> None:
    script = Script("soak")
    with opened(browser, script) as page:
        expect(page.locator(".top h1")).to_contain_text("Soaking")
        page.locator("#stop").click()
        expect(page.locator("#said")).to_have_text("Asked.")
        doubt = "Taken, but the shop does not show it yet. Look at the machine."
        expect(page.locator("#said")).to_have_text(doubt, timeout=15_000)
        script.state = "nothing_on_armed"
        page.locator("#stop").click()
        expect(page.locator("#said")).to_have_text("Stopped: no heat is asked for.")
        script.state = "no_board"
        expect(page.locator("#line")).to_contain_text("No board")
        page.locator("#stop").click()
        expect(page.locator("#said")).to_have_text(
            "Stopped: no heat is asked for. The board is not heard: look at the machine."
        )
        assert [path for path, _ in script.asked] == ["stop"] * 3


def test_the_door_question_has_two_answers(browser: Browser) -> None:
    script = Script("prompt_door")
    with opened(browser, script) as page:
        with page.expect_response("**/oven/confirm"):
            page.get_by_role("button", name="No, it is shut").click()
        expect(page.locator("#said")).not_to_be_empty()
        assert script.asked == [("oven/confirm", {"prompt_id": "door", "answer": False})]


def test_a_viewer_is_offered_nothing_but_stop(browser: Browser) -> None:
    with opened(browser, Script("oil_ready", role="viewer", mode="rehearsal")) as page:
        expect(page.locator("#stop")).to_be_visible()
        expect(page.locator("main button:visible")).to_have_count(0)
        page.get_by_role("button", name="Programs").click()
        expect(page.locator("main")).to_contain_text("double temper")
        expect(page.locator("main button")).to_have_count(0)


def test_the_rehearsal_is_marked_and_only_there(browser: Browser) -> None:
    with opened(browser, Script("soak", mode="rehearsal")) as page:
        expect(page.locator("#line")).to_contain_text("Rehearsal: no real heat")
        expect(page.locator(".panel")).to_contain_text("1 thing is wrong now")
    with opened(browser, Script("soak")) as page:
        expect(page.locator(".top h1")).to_contain_text("Soaking")
        expect(page.locator(".panel")).to_have_count(0)


def test_a_hot_oven_that_tripped_has_fire_words_of_its_own(browser: Browser) -> None:
    words = "If it smokes or burns: door shut, switch off at the wall, leave."
    script = Script("trip_oven")
    with opened(browser, script) as page:
        expect(page.get_by_text(words)).to_be_visible()
        expect(page.get_by_role("button", name="Warm the oil")).to_have_count(0)
        script.state = "trip_board"
        expect(page.locator(".top h1")).to_contain_text("stop circuit")
        expect(page.get_by_text(words)).to_be_hidden()


def test_a_trip_is_an_alert_and_the_numbers_are_not(browser: Browser) -> None:
    with opened(browser, Script("trip_oven")) as page:
        alert = page.get_by_role("alert")
        expect(alert).to_contain_text("Stopped: the oven passed its limit.")
        expect(alert).not_to_contain_text("301")


def test_pairing_with_a_wrong_code_and_then_the_right_one(browser: Browser) -> None:
    script = Script("nothing_on")
    script.paired = False
    with opened(browser, script, "pair=WRONG234") as page:
        expect(page.get_by_label("Code")).to_have_value("WRONG234")
        page.get_by_role("button", name="Pair").click()
        expect(page.get_by_role("alert")).to_have_text("That code is not right, or it has run out.")
        page.get_by_label("Code").fill("abcd-2345")
        page.get_by_role("button", name="Pair").click()
        expect(page.locator(".top h1")).to_have_text("Everything is cold.")
        assert json.dumps(script.asked[-1][1]) == '{"code": "ABCD2345"}'


def test_the_checks_open_to_rows_and_the_chart_to_a_table(browser: Browser) -> None:
    with opened(browser, Script("soak")) as page:
        fitted = len(STATES["soak"]().rows) - 1
        page.get_by_text(f"All {fitted} checks good").click()
        expect(page.get_by_text("The oven door is shut.")).to_be_visible()
        page.get_by_text("The same as a table").click()
        expect(page.locator("table tbody tr").first).to_contain_text("204.6 °C")
        expect(page.locator("main")).to_contain_text("Soak 1 has begun.")
