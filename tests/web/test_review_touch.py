"""The pictures of a trip under fingers, mouse and keys, in a real browser."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from web.browser_pages import DESK, PHONE
from web.test_review_browser import (
    SECONDS,
    Finger,
    drawn,
    made,
    middle_of,
    pages,
    program_of_desk,
    shown_range,
)

__all__ = ["made", "pages", "program_of_desk"]
pytestmark = pytest.mark.browser


def test_a_finger_reads_a_moment_and_the_page_still_scrolls(open_page: Callable[..., Any]) -> None:
    """Across a picture reads it; up and down scrolls the page, wherever the finger is."""
    page, watch = open_page("/trips/1", PHONE)
    drawn(page)
    finger = Finger(page)
    for name in ("body", "track", "strokes"):
        x, y = middle_of(page, name)
        before = page.evaluate("scrollY")
        finger.swipe((x, y), (x, y - 150))
        page.wait_for_timeout(300)
        assert page.evaluate("scrollY") > before + 80, name
    x, y = middle_of(page, "heat")
    before = page.evaluate("scrollY")
    finger.swipe((x - 60, y), (x + 60, y))
    words = page.locator("#moment-words").inner_text()
    assert re.match(r"1:[3-5]\d:\d\d, (washboard|parked)", words), words
    assert page.evaluate("scrollY") == before
    for name in ("body", "heat", "lanes"):
        expect(page.locator(f"#fig-{name} .rv-cursor")).to_be_visible()
    left = {name: page.locator(f"#fig-{name} .rv-cursor").bounding_box()["x"] for name in ("body", "heat", "lanes")}
    assert max(left.values()) - min(left.values()) < 1
    assert watch.complaints == []


def test_two_fingers_go_closer_and_a_double_tap_shows_all(open_page: Callable[..., Any]) -> None:
    """Around where the fingers are; the page doesn't zoom."""
    page, _ = open_page("/trips/1", PHONE)
    drawn(page)
    finger = Finger(page)
    x, y = middle_of(page, "body")
    finger.pinch(x, y, 40, 120)
    page.wait_for_timeout(200)
    low, high = shown_range(page)
    assert high - low == pytest.approx(SECONDS / 3, rel=0.1)
    assert (low + high) / 2 == pytest.approx(SECONDS / 2, rel=0.1)
    assert page.evaluate("visualViewport.scale") == 1
    finger.double_tap(x, y)
    page.wait_for_timeout(200)
    assert shown_range(page) == (0, SECONDS)
    middle_of(page, "track")
    x, y = middle_of(page, "track")
    width = "(([a, b]) => b - a)(document.querySelector('#fig-track .rv-plot').layout.xaxis.range)"
    before = page.evaluate(width)
    finger.pinch(x, y, 30, 90)
    page.wait_for_timeout(200)
    assert page.evaluate(width) == pytest.approx(before / 3, rel=0.1)
    finger.double_tap(x, y)
    page.wait_for_timeout(200)
    assert page.evaluate(width) == pytest.approx(before, rel=0.01)


@pytest.mark.slow
def test_buttons_and_slider_do_the_same(open_page: Callable[..., Any]) -> None:
    """No gesture is needed, nor fine fingers, nor a mouse."""
    page, _ = open_page("/trips/1", PHONE)
    drawn(page)
    slider = page.get_by_role("slider", name="Moment of the trip")
    slider.focus()
    page.keyboard.press("End")
    expect(slider).to_have_attribute("aria-valuetext", re.compile(r"^2:30:00, parked"))
    page.keyboard.press("Home")
    expect(page.locator("#moment-words")).to_have_text(re.compile(r"^0:00:00, graded"))
    button = {name: page.locator(f"#time-{name}") for name in ("in", "out", "back", "on", "all")}
    expect(button["out"]).to_be_disabled()
    button["in"].tap()
    page.wait_for_timeout(100)
    assert shown_range(page) == (0, SECONDS / 2)
    button["on"].tap()
    page.wait_for_timeout(100)
    assert shown_range(page) == (SECONDS / 4, SECONDS * 3 / 4)
    button["back"].tap()
    button["out"].tap()
    page.wait_for_timeout(100)
    assert shown_range(page) == (0, SECONDS)
    # 9000 s halved nine times are less than the least stretch
    for _ in range(9):
        button["in"].tap()
        page.wait_for_timeout(100)
    page.wait_for_timeout(100)
    low, high = shown_range(page)
    assert high - low == pytest.approx(20)
    expect(button["in"]).to_be_disabled()
    button["all"].tap()
    page.wait_for_timeout(100)
    assert shown_range(page) == (0, SECONDS)


@pytest.mark.slow
def test_a_drag_with_the_mouse_goes_closer(open_page: Callable[..., Any]) -> None:
    """From where the button went down to where it came up; a double click shows all again."""
    page, _ = open_page("/trips/1", DESK)
    drawn(page)
    x, y = middle_of(page, "body")
    page.mouse.move(x - 200, y)
    page.mouse.down()
    page.mouse.move(x, y + 10, steps=4)
    expect(page.locator("#fig-body .rv-box")).to_be_visible()
    page.mouse.up()
    page.wait_for_timeout(200)
    low, high = shown_range(page)
    inner = page.locator("#fig-body .rv-touch").bounding_box()["width"] - 58
    assert high - low == pytest.approx(SECONDS * 200 / inner, rel=0.03)
    page.mouse.dblclick(x, y)
    page.wait_for_timeout(200)
    assert shown_range(page) == (0, SECONDS)


@pytest.mark.slow
def test_every_second_is_fetched_below_an_hour_and_not_before(open_page: Callable[..., Any], made: Any) -> None:
    """A phone loads little until somebody looks closely; then the rows are those of the log."""
    page, watch = open_page("/trips/1", PHONE)
    drawn(page)
    details = lambda: [url.rsplit("/", 1)[1] for url in watch.requests if "/detail/" in url]  # noqa: E731
    assert details() == []
    for _ in range(2):
        page.locator("#time-in").tap()
    page.wait_for_timeout(600)
    low, high = shown_range(page)
    assert high - low == SECONDS / 4
    assert details() == ["1", "2", "3"][: len(details())]
    assert len(details()) >= 2
    times, heat = page.evaluate("(({ x, y }) => [x, y])(document.querySelector('#fig-body .rv-plot').data[1])")
    at = times.index(4500.5)
    assert times[at + 1] - times[at] == 1
    assert heat[at] == pytest.approx(float(made.dampers[1].body_c[4500]), abs=0.06)
    page.locator("#time-all").tap()
    page.locator("#time-in").tap()
    page.locator("#time-in").tap()
    page.wait_for_timeout(300)
    assert len(details()) == len(set(details()))


@pytest.mark.slow
def test_a_tap_on_the_way_reads_it_and_the_moment_above(open_page: Callable[..., Any]) -> None:
    """Where it was, how much heat, and when."""
    page, _ = open_page("/trips/1", PHONE)
    drawn(page)
    x, y = middle_of(page, "track")
    page.touchscreen.tap(x, y)
    said = page.locator("#fig-track .rv-said").inner_text()
    assert re.match(r"\d:\d\d:\d\d: [\d.]+\u00a0k?W of heat", said), said
    assert page.locator("#moment-words").inner_text().startswith(said[:7])
    expect(page.locator("#fig-track .rv-cursor")).to_be_visible()
