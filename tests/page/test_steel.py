"""Steel on the page: a bar climbs the ladder, a plan sheet starts a temper, a quench is weighed before it is made."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.page.browser import PHONE, chromium
from tests.page.fake import HOSTILE, Script, fake
from tests.page.test_access import opened as bare
from tests.page.test_access import violations
from tests.page.test_flow import paired
from tests.page.test_page import SMALLEST, opened
from tests.shop.process import shop


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def fits(page: Page) -> bool:
    wide: int = page.evaluate("document.documentElement.scrollWidth")
    return wide <= SMALLEST["width"] and "[object" not in page.locator("main").inner_text()


def test_a_bar_shows_the_next_useful_test_and_takes_a_rung(browser: Browser) -> None:
    script = Script("nothing_on_armed")
    with opened(browser, script, "Steel") as page:
        page.locator("main").get_by_role("button", name=HOSTILE).click()
        expect(page.get_by_role("heading", level=1)).to_have_text(HOSTILE)
        expect(page.locator(".next")).to_have_text("Next: A fresh coupon in oil.")
        expect(page.locator("main")).to_contain_text("51 to 55 HRC in nine of ten, from 1 tested piece.")
        assert fits(page)
        # The mildest quench that was not tried yet stands there ready.
        expect(page.get_by_role("combobox", name="In", exact=True)).to_have_value("oil")
        page.get_by_role("button", name="Write it down").first.click()
        expect(page.locator("#said")).to_have_text("In the book.")
        assert script.asked == [("stock/1/ladder", {"medium": "oil", "section_mm": 12, "one_file": "skates"})]
        assert page.evaluate("window.broken") is None


def test_a_file_test_is_entered_in_this_phones_own_degrees(browser: Browser) -> None:
    script = Script("nothing_on_armed")
    with opened(browser, script, "Steel", units="F") as page:
        page.locator("main").get_by_role("button", name=HOSTILE).click()
        expect(page.locator("main")).to_contain_text("after 60 min at 401 °F")
        page.get_by_text("Enter a file test").click()
        form = page.locator("details", has_text="Enter a file test").last
        form.get_by_text("A graded set").click()
        form.get_by_label("The hardest that skates, HRC").fill("50")
        form.get_by_label("Its temper, °F").fill("401")
        form.get_by_role("button", name="Write it down").click()
        expect(page.locator("#said")).to_have_text("In the book.")
        body = {"skates_hrc": 50, "temper_c": 205, "temper_s": 3600}
        assert script.asked == [("stock/1/filetests", body)]


def test_a_plan_sheet_starts_its_temper_and_prints_on_paper(browser: Browser) -> None:
    script = Script("nothing_on_armed")
    with opened(browser, script, "Steel") as page:
        page.get_by_text("Plan a tool").click()
        page.get_by_placeholder("as 4140").fill("4140")
        page.get_by_role("button", name="Make the plan sheet").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("4140, 20 mm round, drift")
        expect(page.locator(".sheet h2")).to_have_text(
            ["Coupon", "Hardening", "Quench", "Temper", "Checks", "Cautions"]
        )
        assert fits(page)
        assert page.evaluate("document.querySelector('.sheet').getBoundingClientRect().height") < SMALLEST["height"]
        page.emulate_media(media="print")
        for gone in ("#stop", "#menu", "#line"):
            expect(page.locator(gone)).to_be_hidden()
        expect(page.get_by_role("button", name="Start this temper")).to_be_hidden()
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        expect(page.locator(".sheet li")).to_have_text(["Then look."] * 6)
        for line in page.locator(".sheet li").all():
            expect(line).to_be_visible()
        page.emulate_media(media="screen")
        page.get_by_role("button", name="Start this temper").click()
        expect(page.locator("dialog [name=section]")).to_have_value("20")
        page.locator("dialog").get_by_label("Which one").select_option(label="drift no. 3")
        page.get_by_role("button", name="Next").click()
        expect(page.locator("dialog")).to_contain_text("260 °C for 70 min")
        script.state = "heat_up"
        page.locator("dialog").get_by_role("button", name="Start", exact=True).click()
        expect(page.locator(".top h1")).to_contain_text("Bringing")
        path, body = script.asked[-1]
        assert path == "oven/start"
        assert body["program"]["tempers"] == [{"temperature_c": 260.0, "soak_min": 70.0}]
        assert body["load"] == [{"mass_kg": 0.42, "section_mm": 15, "stock": 1, "piece": 3}]


def test_a_quench_is_foreseen_while_it_is_typed(browser: Browser) -> None:
    script = Script("oil_ready")
    with opened(browser, script) as page:
        page.get_by_role("button", name="I quenched").click()
        box = page.locator("dialog")
        box.get_by_label("Which piece").select_option(label="drift no. 3")
        expect(box.locator(".foreseen")).to_contain_text("Allowed.")
        expect(box.locator(".foreseen")).to_contain_text("The oil goes to 76 °C at the most, 21 °C up")
        box.get_by_label("Mass of the steel, kg").fill("5")
        expect(box.locator(".foreseen")).to_contain_text("Not allowed.")
        expect(box.locator(".foreseen")).to_contain_text("its limit is 90 °C")
        assert script.asked == []
        box.get_by_role("button", name="Write it down").click()
        # What the service says of a quench that it took stands in the place of the plain word.
        expect(page.locator("#said")).to_have_text(re.compile("^Too much steel for this oil: 90.°C is its limit.$"))
        assert script.asked == [("tank/quench", {"mass_kg": 5, "piece": 3})]
        page.get_by_role("button", name="I quenched").click()
        box.get_by_label("Mass of the steel, kg").fill("0.5")
        box.get_by_label("Another part than in the last ten minutes").check()
        box.get_by_role("button", name="Write it down").click()
        expect(page.locator("#said")).to_have_text("In the book.")
        assert script.asked[1:] == [("tank/quench", {"mass_kg": 0.5, "another": True})]


def test_the_oils_margins_stand_on_one_scale(browser: Browser) -> None:
    with opened(browser, Script("oil_ready"), "Shop") as page:
        expect(page.locator("main")).to_contain_text("How far the oil stays from its flash point")
        expect(page.locator("main")).to_contain_text(re.compile(r"Bath\s*40\s°C to 65\s°C"))
        expect(page.locator("main")).to_contain_text(re.compile(r"110\s°C\s*70\s°C below the flash point"))
        pins = [box["x"] for box in (pin.bounding_box() for pin in page.locator(".scale i").all()) if box]
        assert pins == sorted(pins)
        assert fits(page)


def test_a_piece_shows_what_its_quench_did_to_the_oil(browser: Browser) -> None:
    with opened(browser, Script("soak"), "Steel") as page:
        page.locator("main").get_by_role("button", name="drift no. 3").click()
        expect(page.locator("main")).to_contain_text(re.compile(r"the oil went from 52.°C to 61.°C\."))
        assert fits(page)


def test_a_viewer_reads_steel_and_is_offered_no_form(browser: Browser) -> None:
    with opened(browser, Script("soak", role="viewer"), "Steel") as page:
        expect(page.get_by_role("heading", name="Stock")).to_be_visible()
        expect(page.locator("form")).to_have_count(0)
        page.locator("main").get_by_role("button", name=HOSTILE).click()
        expect(page.locator(".next")).to_be_visible()
        expect(page.locator("form")).to_have_count(0)
        assert fits(page)


def test_no_view_of_steel_breaks_a_rule_of_access(browser: Browser) -> None:
    everything = "document.querySelectorAll('main details').forEach((one) => { one.open = true; })"
    with fake(Script("nothing_on_armed")) as address:
        page = bare(browser, address, "Steel")
        expect(page.get_by_role("heading", name="Grades")).to_be_visible()
        for name in (HOSTILE, "drift no. 3", ""):
            if name:
                page.locator("main").get_by_role("button", name=name).first.click()
                expect(page.get_by_role("heading", level=1)).to_have_text(name)
            page.evaluate(everything)
            assert violations(page) == [], name
            if name:
                page.get_by_role("button", name="Back to steel").click()
                expect(page.get_by_role("heading", name="Grades")).to_be_visible()
        page.get_by_placeholder("as 4140").fill("4140")
        page.get_by_role("button", name="Make the plan sheet").click()
        expect(page.locator(".sheet")).to_be_visible()
        assert violations(page) == []


def test_from_an_unknown_bar_to_a_sheet_on_the_real_service(browser: Browser, tmp_path: Path) -> None:
    with shop(tmp_path) as running:
        page = browser.new_page(viewport=PHONE)  # type: ignore[arg-type]
        wrong: list[str] = []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        paired(page, running)
        page.get_by_role("button", name="Steel", exact=True).click()
        page.get_by_text("Add a bar").click()
        page.get_by_label("What you call it").fill("axle <b>end</b>")
        page.get_by_label("What it was, if it is scrap").select_option("axle")
        page.get_by_role("button", name="Write it down").first.click()
        page.get_by_role("button", name="axle <b>end</b>").click()
        expect(page.locator("main")).to_contain_text("Begin with still air")
        page.get_by_label("An ordinary file").first.select_option("cuts easily")
        page.get_by_role("button", name="Write it down").first.click()
        expect(page.locator(".next")).to_contain_text("oil")
        expect(page.get_by_role("combobox", name="In", exact=True)).to_have_value("oil")
        page.get_by_role("button", name="Write it down").first.click()
        expect(page.locator("main")).to_contain_text("Oil hardening")
        page.get_by_role("combobox", name="For", exact=True).select_option("drift")
        page.get_by_role("button", name="Make the plan sheet").click()
        expect(page.locator(".sheet h2")).to_have_count(6)
        expect(page.get_by_role("button", name="Back to steel")).to_be_visible()
        page.get_by_role("button", name="Now", exact=True).click()
        page.get_by_role("button", name="I quenched").click()
        page.get_by_label("Mass of the steel, kg").fill("0.3")
        expect(page.locator(".foreseen")).to_contain_text("llowed.")
        expect(page.locator(".foreseen")).to_contain_text("The oil goes to")
        assert wrong == []
        page.close()
