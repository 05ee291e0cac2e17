"""The pages of wear in a real browser, on a phone and on a desk, looked at and filled in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dutylog.clock import SystemClock
from dutylog.web.access import Access
from dutylog.web.access_code import write_code
from dutylog.web.life_view import LifeEntry
from web.access_parts import CODE, quick_code
from web.browser_pages import DESK, PHONE, ThreadedPages, axe_problems
from web.core_socket import FakeCore
from web.life_samples import mark_object
from web.samples import damper_summary, fake_ledger

pytestmark = pytest.mark.browser
# The phone always; the desk with the long forms.
SIZES = pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.slow)], ids=["phone", "desk"])
PATH = "/dampers/SN-rear_left/life"
LONG = "W" * 64


@pytest.fixture
def pages(fake_core: FakeCore, tmp_path: Path) -> Iterator[ThreadedPages]:
    """Give the pages with a code, so that somebody can sign in."""
    write_code(tmp_path, quick_code())
    access = Access(tmp_path, SystemClock(), lambda _line: None)
    with ThreadedPages(fake_core, fake_ledger(), fake_core.data_dir, access=access) as running:
        yield running


def sign_in(page: Page, pages: ThreadedPages, path: str) -> None:
    page.goto(pages.address + "sign-in")
    page.get_by_label("name").fill("Ana")
    page.locator("[name=code]").fill(CODE)
    page.get_by_role("main").get_by_role("button").click()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()
    page.goto(pages.address.rstrip("/") + path)


@SIZES
@pytest.mark.parametrize("path", [PATH, PATH + "/oil", "/due"])
def test_pages_fit_whatever_people_typed(
    pages: ThreadedPages, open_page: Callable[..., Any], size: dict[str, Any], path: str
) -> None:
    """390 px without sideways scroll, nothing for the checker to find, no complaint in the console."""
    view, jobs = pages.view, pages.jobs
    view.damper_rows = [replace(damper_summary(p), label=LONG, serial=f"SN-{p}") for p in ("front_left", "rear_left")]
    view.life_changes = {"profile": LONG, "entries": (LifeEntry(10**6, "2026-11-02", LONG, LONG, LONG * 7),)}
    jobs.dampers = [{**jobs.dampers[2], "serial": LONG, "marks": [mark_object(text=LONG * 2, advice=LONG * 2)]}]
    jobs.explained = LONG * 5
    page, watch = open_page(path, size)
    assert LONG in page.locator("main").inner_text()
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    assert axe_problems(page) == []
    assert watch.complaints == []


@SIZES
def test_forms_fit_and_are_large_enough(
    pages: ThreadedPages, open_page: Callable[..., Any], size: dict[str, Any]
) -> None:
    """Gloves: every target is 44 px high or more, the tick's whole line included; every field has a label."""
    page, watch = open_page("/", size)
    for path in (PATH, "/trips/1"):
        sign_in(page, pages, path)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
        heights = page.evaluate(
            """() => [...document.querySelectorAll("main summary, main button, main select, main .life-tick,"
                + "main input:not([type=hidden], [type=checkbox], [type=radio])")].map((e) => e.offsetHeight)"""
        )
        assert len(heights) > 5
        assert min(heights) >= 44
        assert axe_problems(page) == []
    assert watch.complaints == []


def test_a_form_is_opened_and_filled_by_keyboard_alone(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """No mouse in a workshop; and what core can't take yet is said on the page, nothing lost silently."""
    page, _ = open_page("/", DESK)
    sign_in(page, pages, PATH)
    summary = page.locator("summary", has_text="Tell of a mark")
    expect(page.get_by_label("Size along the shaft, mm")).to_be_hidden()
    summary.focus()
    page.keyboard.press("Enter")
    for keys in ("n", "60", "1.5", " "):
        page.keyboard.press("Tab")
        page.keyboard.type(keys)
    values = page.evaluate("() => Object.fromEntries(new FormData(document.querySelector('form[action$=\"/mark\"]')))")
    assert {name: values[name] for name in ("mark", "distance_mm", "size_mm", "edge")} == {
        "mark": "nick", "distance_mm": "60", "size_mm": "1.5", "edge": "sharp",
    }  # fmt: skip
    page.get_by_role("button", name="Store the mark").press("Enter")
    expect(page.locator("main")).to_contain_text("nothing was changed")


def test_states_differ_without_colour_and_units_follow_the_reader(open_page: Callable[..., Any]) -> None:
    """A word and a drawing of its own each; miles where somebody wants miles."""
    page, watch = open_page(PATH, PHONE)
    seen = page.evaluate(
        "() => [...document.querySelectorAll('.life-bars .life-state')].map((e) => [e.innerText.trim(), e.innerHTML])"
    )
    assert [word for word, _ in seen] == ["over", "due", "plan it", "fine"]
    assert len({drawing for _, drawing in seen}) == 4
    assert "2\u202f740\u00a0km" in page.locator("#part-oil").inner_text()
    page.get_by_role("button", name="Units").tap()
    assert "1\u202f700\u00a0mi" in page.locator("#part-oil").inner_text()
    assert "km" not in page.locator("#part-oil").inner_text()
    assert watch.complaints == []


def test_bars_show_the_share_of_the_budget(open_page: Callable[..., Any]) -> None:
    """The picture tells what the figure beside it does: 83 % of the way to the line of the budget."""
    page, _ = open_page(PATH, DESK)
    bar = page.locator(".life-bars li", has_text="damper oil")
    used, budget = (bar.locator(one).bounding_box() for one in (".bar-fill", ".life-budget"))
    assert used["width"] / (budget["x"] + budget["width"] / 2 - used["x"]) == pytest.approx(0.83, abs=0.01)
    assert bar.locator(".life-used").inner_text() == "83\u00a0%"


def test_due_prints_as_a_sheet_for_the_wall(open_page: Callable[..., Any]) -> None:
    """Figures and states without the menu."""
    page, _ = open_page("/due", DESK)
    page.emulate_media(media="print")
    expect(page.locator("header")).to_be_hidden()
    expect(page.locator(".card").first).to_be_visible()
    expect(page.locator(".life-informs")).to_be_visible()
