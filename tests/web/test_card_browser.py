"""The page of a duty card in a real browser: one press, one file, the code beside it."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, expect

from bench.card_made import Yard
from dutylog.bench.card_read import read_card
from dutylog.clock import SystemClock
from dutylog.web.access import Access
from dutylog.web.access_code import write_code
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.server import PageServer
from dutylog.web.settings import WebSettings
from web.access_parts import CODE, quick_code
from web.browser_pages import DESK, PHONE, WAIT_MS, Watch, axe_problems

pytestmark = pytest.mark.browser
PATH = "dampers/SN-1/card"
Open = Callable[..., tuple[Page, Watch]]


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """Give the address of the real pages over a real ledger, in a thread."""
    folder = Yard(tmp_path).folder
    write_code(folder, quick_code())
    clock = SystemClock()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        settings = WebSettings(port=listener.getsockname()[1], data_dir=folder)
        feed = LiveFeed(clock)
        access = Access(folder, clock, lambda _line: None)
        app = create_app(feed, SqliteLedgerView(folder), settings, access=access)
        config = uvicorn.Config(app, log_level="warning", access_log=False, ws="none", timeout_graceful_shutdown=1)
        server = PageServer(config, feed, settings.address)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        yield settings.address
        server.should_exit = True
        thread.join(10)
    assert not thread.is_alive()


@pytest.fixture
def open_signed_in(browser: Browser, address: str) -> Iterator[Open]:
    """Give a function that signs in and opens the page."""
    contexts: list[BrowserContext] = []

    def open_one(size: dict[str, Any], **more: Any) -> tuple[Page, Watch]:
        context = browser.new_context(**size, **more)
        context.set_default_timeout(WAIT_MS)
        contexts.append(context)
        page, watch = context.new_page(), Watch()
        watch.listen_to(page)
        page.goto(address + "sign-in")
        page.get_by_label("name").fill("Ana")
        page.locator("[name=code]").fill(CODE)
        page.get_by_role("main").get_by_role("button").click()
        expect(page.get_by_role("button", name="Sign out")).to_be_visible()
        page.goto(address + PATH)
        return page, watch

    expect.set_options(timeout=WAIT_MS)
    yield open_one
    for context in contexts:
        context.close()


def press(page: Page) -> Path:
    """Press the button; return the file that comes."""
    with page.expect_download() as download:
        page.get_by_role("button", name="Issue a duty card").click()
    assert re.fullmatch(r"SN-1-card-\d+\.card\.json", download.value.suggested_filename)
    return Path(download.value.path())


def test_one_press_is_one_file_and_the_page_shows_its_code(open_signed_in: Open, tmp_path: Path) -> None:
    """On a phone: the file, then the new code, its words and figures; nothing overflows, nothing is complained of."""
    page, watch = open_signed_in(PHONE)
    card = read_card(press(page).read_bytes())
    expect(page.get_by_role("heading", name="Card 1, the newest")).to_be_visible()
    expect(page.locator(".card-words")).to_have_text(" ".join(re.findall("....", card.key_id)))
    expect(page.get_by_role("img", name="QR code")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    assert min(page.locator("main button").evaluate_all("(all) => all.map((one) => one.offsetHeight)")) >= 48
    assert axe_problems(page) == []
    assert watch.complaints == []
    assert page.locator(".card-code svg").evaluate("(one) => one.getBoundingClientRect().width") > 190
    page.emulate_media(media="print")
    page.screenshot(path=tmp_path / "print.png")


def test_it_works_without_script(open_signed_in: Open) -> None:
    """The form alone hands the file out; opened again the page has the code."""
    page, _ = open_signed_in(DESK, java_script_enabled=False)
    assert read_card(press(page).read_bytes()).sequence == 1
    page.reload()
    expect(page.get_by_role("heading", name="Card 1, the newest")).to_be_visible()


def test_what_goes_wrong_is_said_on_the_page(open_signed_in: Open, tmp_path: Path) -> None:
    """A key that others can read: the line stands beside the button, which can be pressed again."""
    page, _ = open_signed_in(DESK)
    (tmp_path / "card_key.pem").write_text("no key")
    (tmp_path / "card_key.pem").chmod(0o644)
    page.get_by_role("button", name="Issue a duty card").click()
    expect(page.get_by_role("status")).to_contain_text("Nothing was handed out: signing key")
    (tmp_path / "card_key.pem").unlink()
    assert read_card(press(page).read_bytes()).sequence == 1
