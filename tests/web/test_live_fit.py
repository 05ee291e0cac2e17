"""The live page on small, zoomed and touched screens: everything in sight, large enough, reachable by keys."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dutylog.publish.snapshot import Snapshot, VehicleName
from web.browser_pages import DESK, PHONE, SteadyCore
from web.live_samples import HOLDS, alert, every_alert, every_state, heated, hot_vehicle, six_wheels
from web.samples import POSITIONS, snapshot

pytestmark = pytest.mark.browser
# The phone always; the desk with the long forms.
SIZES = pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.slow)], ids=["phone", "desk"])
OpenPage = Callable[..., Any]
NARROW = {"viewport": {"width": 320, "height": 640}}
ZOOMED = {"viewport": {"width": 640, "height": 400}, "device_scale_factor": 2}
"""1280 x 800 at 200 %: a browser's zoom halves what a page may use (WCAG 2.1, 1.4.4 and 1.4.10)."""
WIDE = {"viewport": {"width": 1920, "height": 1080}}
MIDDLE = {"viewport": {"width": 800, "height": 600}}
# The phone and what is hardest on it always; the rest with the long forms.
EVERY_SIZE = pytest.mark.parametrize(
    "size",
    [
        pytest.param(PHONE, id="phone"),
        pytest.param(NARROW, id="320"),
        *(
            pytest.param(size, id=name, marks=pytest.mark.slow)
            for name, size in {"desk": DESK, "200 %": ZOOMED, "wide": WIDE, "middle": MIDDLE}.items()
        ),
    ],
)


def shown(steady: SteadyCore, open_page: OpenPage, now: Snapshot, size: dict[str, Any]) -> Page:
    steady.show(now)
    page, _ = open_page("/", size)
    expect(page.locator("#dampers .row")).to_have_count(len(now.dampers))
    return page


def sideways(page: Page) -> int:
    found: int = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    return found


def texts_of_rows(page: Page) -> list[list[tuple[str, float, float, float, float, float]]]:
    """Return the visible texts of each row, alert and fact: words, left, right, top, bottom, right end of the row."""
    found: list[list[tuple[str, float, float, float, float, float]]] = page.evaluate(
        """() => [...document.querySelectorAll(".row, .alert, .closer-facts div")].filter((e) => e.checkVisibility())
            .map((row) => { const walker = document.createTreeWalker(row, NodeFilter.SHOW_TEXT); const texts = [];
                while (walker.nextNode()) { const node = walker.currentNode; const range = document.createRange();
                    if (!node.textContent.trim() || !node.parentElement.checkVisibility()) continue;
                    if (node.parentElement.closest(".hidden")) continue;
                    range.selectNodeContents(node);
                    for (const box of range.getClientRects()) texts.push([node.textContent.trim().slice(0, 40),
                        box.left, box.right, box.top, box.bottom, row.getBoundingClientRect().right]); }
                return texts; })"""
    )
    return found


def cut_off(page: Page) -> list[str]:
    """Return texts of rows that stick out of their row."""
    return [words for row in texts_of_rows(page) for words, _, right, _, _, end in row if right > end + 1.0]


def overlaps(page: Page) -> list[str]:
    """Return pairs of texts of a row that lie upon each other.

    A text's box holds empty edges above its capitals and below its line, a sixth of it each and more.
    """
    found = []
    for row in texts_of_rows(page):
        inked = [
            (words, left, right, top + (bottom - top) / 6, bottom - (bottom - top) / 6)
            for words, left, right, top, bottom, _ in row
        ]
        for one, two in itertools.combinations(inked, 2):
            across = one[1] < two[2] - 1.0 and two[1] < one[2] - 1.0
            if across and one[3] < two[4] and two[3] < one[4]:
                found.append(f"{one[0]} | {two[0]}")
    return found


@EVERY_SIZE
@pytest.mark.parametrize("big", ["off", pytest.param("on", marks=pytest.mark.slow)])
def test_nothing_sticks_out_or_lies_upon_another(
    steady: SteadyCore, open_page: OpenPage, size: dict[str, Any], big: str
) -> None:
    """Down to 320 px and at 200 %: every state, forecast and alert, in both units, live and stale."""
    page = shown(steady, open_page, every_state(), size)
    page.get_by_role("button", name="All alerts").click()
    page.click("#copy-line")
    if big == "on":
        page.click("#big-switch")
    for _ in ("metric", "us"):
        assert (sideways(page), cut_off(page), overlaps(page)) == (0, [], [])
        page.click("#units")
    steady.show(None)
    expect(page.locator("#stale")).to_be_visible()
    assert (sideways(page), cut_off(page), overlaps(page)) == (0, [], [])


@EVERY_SIZE
def test_long_names_break_instead_of_pushing(steady: SteadyCore, open_page: OpenPage, size: dict[str, Any]) -> None:
    """Names, serials and sentences are free text."""
    long = "W" * 90
    dampers = tuple(
        replace(heated(f"{p}_{long[:70]}", long[:60], i), serial=long, state="hot", state_text=long * 3, pace_text=long)
        for i, p in enumerate(POSITIONS)
    )
    now = snapshot(1, vehicle=VehicleName("v", long), dampers=dampers, alerts=(alert(1, text=long * 3, remedy=long),))
    page = shown(steady, open_page, now, size)
    assert sideways(page) == 0
    page.click("#big-switch")
    assert sideways(page) == 0


@SIZES
def test_four_dampers_with_forecasts_are_in_sight_at_once(
    steady: SteadyCore, open_page: OpenPage, size: dict[str, Any]
) -> None:
    """A second to look leaves none for scrolling."""
    dampers = tuple(heated(p, p, 0) for p in POSITIONS)
    page = shown(steady, open_page, snapshot(1, dampers=dampers), size)
    boxes = [row.bounding_box() for row in page.locator("#dampers .row").all()]
    assert max(box["y"] + box["height"] for box in boxes if box) <= size["viewport"]["height"]
    assert {damper.forecast_kind for damper in dampers} == {HOLDS["forecast_kind"]}


@SIZES
@pytest.mark.parametrize("big", ["off", pytest.param("on", marks=pytest.mark.slow)])
def test_everything_to_touch_is_48_px(steady: SteadyCore, open_page: OpenPage, size: dict[str, Any], big: str) -> None:
    """Gloves and vibration."""
    page = shown(steady, open_page, hot_vehicle(alerts=every_alert()), size)
    page.click("#copy-line")
    expect(page.locator("#line-place")).to_be_visible()
    if big == "on":
        page.click("#big-switch")
    small = page.evaluate(
        """() => [...document.querySelectorAll("a[href], button, select, textarea")]
            .filter((e) => e.checkVisibility() && !e.classList.contains("skip"))
            .map((e) => [e.textContent.trim().slice(0, 30), e.getBoundingClientRect()])
            .filter(([, box]) => box.width < 48 || box.height < 48).map(([name, box]) => name + " " + box.height)"""
    )
    assert small == []


@SIZES
def test_keys_reach_everything_and_a_choice_moves_the_focus_to_the_plot(
    steady: SteadyCore, open_page: OpenPage, size: dict[str, Any]
) -> None:
    """Tab goes through the page from top to bottom; Enter on a name leads to its last ten minutes."""
    page = shown(steady, open_page, hot_vehicle(alerts=every_alert()), size)
    names: list[str] = []
    for _ in range(40):
        page.keyboard.press("Tab")
        names.append(page.evaluate("document.activeElement.id || document.activeElement.className"))
        if names[-1] == "minutes":
            break
    assert names[:3] == ["skip", "BODY", "BODY"] or names[0] == "skip"
    order = ["theme", "units", "button", "alert-more", "pick", "big-switch", "copy-line", "closer-damper", "minutes"]
    assert [names.index(name) for name in order] == sorted(names.index(name) for name in order)
    assert names.count("pick") == 4
    page.locator("#dampers .pick").nth(2).focus()
    page.keyboard.press("Enter")
    expect(page.locator("#closer-damper")).to_have_value("rear_left")
    assert page.evaluate("document.activeElement.id") == "closer-title"
    expect(page.locator("#minutes-name")).to_have_text("rear left")
    page.locator("#closer-damper").focus()
    page.keyboard.press("ArrowDown")
    expect(page.locator("#minutes-name")).to_have_text("rear right")
    assert page.evaluate("document.activeElement.id") == "closer-damper"
    for name in ("big-switch", "sound-switch"):
        page.locator(f"#{name}").focus()
        page.keyboard.press("Space")
        expect(page.locator(f"#{name}")).to_have_attribute("aria-pressed", "true")


def test_screen_reader_gets_a_name_for_everything(steady: SteadyCore, open_page: OpenPage) -> None:
    """Shapes are hidden from it, words aren't; each row reads as a sentence would."""
    page = shown(steady, open_page, six_wheels(), DESK)
    row = page.locator("#dampers .row").nth(1)
    read = row.evaluate(
        """(row) => [...row.querySelectorAll("h2, p")].filter((e) => e.checkVisibility())
            .map((e) => e.innerText.replace(/[\\s\\u00a0]+/g, " ").trim()).filter(Boolean)"""
    )
    assert read[0] == "front right last 10 minutes"
    assert "body 105 °C limit 120" in read
    assert "12 min 9 to 17 to oil limit" in read
    assert "oil est. 125 °C ± 4" in read
    assert "rising 1.2 K/min" in read
    pictures = page.evaluate(
        """() => [...document.querySelectorAll("main svg")].filter((e) => e.checkVisibility())
            .map((e) => e.getAttribute("aria-hidden") === "true" || !!e.getAttribute("aria-label")).every(Boolean)"""
    )
    assert pictures
    levels = page.evaluate(
        """() => [...document.querySelectorAll("h1, h2, h3")].filter((h) => h.checkVisibility())
            .map((h) => Number(h.getAttribute("aria-level") ?? h.tagName[1]))"""
    )
    assert levels[0] == 1
    assert set(levels) == {1, 2, 3}


STATIC = Path(__file__).parents[2] / "src" / "dutylog" / "web" / "static"


def test_scripts_keep_to_the_policy_of_the_pages() -> None:
    """No style attribute, no handler in a page's text, no script or style within it: the policy would block them."""
    templates = STATIC.parent / "templates"
    for file in templates.glob("*.html"):
        text = file.read_text("utf-8")
        assert " style=" not in text, file.name
        assert not [word for word in (" onclick=", " onload=", "<style", "javascript:") if word in text], file.name
    for file in STATIC.glob("*.js"):
        assert "cssText" not in file.read_text("utf-8"), file.name
        assert len(file.read_text("utf-8").splitlines()) <= 250, file.name
