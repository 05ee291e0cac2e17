"""The forms that repair a trip in a real browser, on a phone and on a desk, in both themes."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from dutylog.clock import SystemClock
from dutylog.ledger.command import apply_command
from dutylog.web.access import Access
from dutylog.web.access_code import write_code
from dutylog.web.ledger_view import SqliteLedgerView
from ledger.builders import open_ledger
from ledger.trip_made import make_trips
from web.access_parts import CODE, quick_code
from web.browser_pages import DESK, PHONE, ThreadedPages, axe_problems
from web.core_socket import FakeCore

pytestmark = pytest.mark.browser


@pytest.fixture
def pages(fake_core: FakeCore) -> Iterator[ThreadedPages]:
    data_dir = fake_core.data_dir
    with open_ledger(data_dir) as ledger:
        make_trips(ledger)
        for request in (
            {"command": "trip_split", "trip": "2", "at_s": 120.0},
            {"command": "trip_not_driven", "trip": "2.2", "why": "transport", "note": "on a flatbed from the pass"},
        ):
            assert apply_command(ledger, {"schema": 1, "by": "Ada", **request}).reply["ok"]
    write_code(data_dir, quick_code())
    access = Access(data_dir, SystemClock(), lambda _line: None)
    with ThreadedPages(fake_core, SqliteLedgerView(data_dir), data_dir, access=access) as running:  # type: ignore[arg-type]
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
def test_forms_can_be_read_and_used(open_page: Callable[..., Any], size: dict[str, Any], scheme: str) -> None:
    page, watch = open_page("/sign-in?next=/trips/2.2", size, color_scheme=scheme)
    page.fill("input[name=name]", "A. Miller")
    page.fill("input[name=code]", CODE)
    page.click("button[type=submit]")
    expect(page.locator("#repair-title")).to_be_visible()
    for closed in page.locator("section:has(#repair-title) details").all():
        closed.locator("summary").press("Enter")
    expect(page.locator("#split-at")).to_be_visible()
    assert axe_problems(page) == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    assert watch.complaints == []
    if folder := os.environ.get("DUTYLOG_TEST_SHOTS"):
        shot = Path(folder) / f"repair-{size['viewport']['width']}-{scheme}.png"
        page.locator("section:has(#repair-title)").screenshot(path=str(shot))
