"""One trip against another in a real browser, on a phone and on a desk, in both themes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from playwright.sync_api import expect

from web.browser_pages import DESK, PHONE, ThreadedPages, axe_problems
from web.samples import fake_ledger
from web.test_against import Command

pytestmark = pytest.mark.browser


@pytest.fixture
def pages(fake_core):
    with ThreadedPages(fake_core, fake_ledger(), fake_core.data_dir) as running:
        running.jobs.ask = Command().ask
        yield running


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        pytest.param(PHONE, "light", id="phone-light"),
        pytest.param(DESK, "dark", id="desk-dark"),
        pytest.param(PHONE, "dark", id="phone-dark", marks=pytest.mark.slow),
        pytest.param(DESK, "light", id="desk-light", marks=pytest.mark.slow),
    ],
)
def test_choose_and_read(open_page, size, scheme):
    page, watch = open_page("/trips/2/against", size, color_scheme=scheme)
    assert axe_problems(page) == []
    page.get_by_role("link", name="Trip 1").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Trip 2 against trip 1")
    page.get_by_text("Within their doubt: 1").press("Enter")
    expect(page.get_by_text("within its doubt:")).to_be_visible()
    assert axe_problems(page) == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    assert watch.complaints == []
    if folder := os.environ.get("DUTYLOG_TEST_SHOTS"):
        page.screenshot(path=str(Path(folder) / f"against-{size['viewport']['width']}-{scheme}.png"), full_page=True)
