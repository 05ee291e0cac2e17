"""The bench's pages on a phone and a tablet, in a real browser: fit, targets for gloves, contrast, names for all."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, expect

from bench.card_made import Yard, signed_anew, stranger
from dutylog.bench.canonical import encode_file
from dutylog.web.bench.app import create_bench_app
from dutylog.web.settings import WebSettings
from web.access_parts import CODE
from web.bench.bench_parts import BenchOf
from web.browser_pages import WAIT_MS, Watch, axe_problems

pytestmark = pytest.mark.browser
PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True}
TABLET = {"viewport": {"width": 820, "height": 1180}, "has_touch": True}
SCREENS = [(PHONE, "light")]
LONG = [(PHONE, "dark"), (TABLET, "light"), (TABLET, "dark")]
SMALL = """() => [...document.querySelectorAll("a, button, input, select, textarea, summary")].map((element) => {
    const tick = element.type === "checkbox" || element.type === "radio";
    return [element, (tick ? element.closest("label") : element).getBoundingClientRect()];
}).filter(([element, box]) => element.checkVisibility() && !element.matches(".hidden, .skip")
    && (box.width < 48 || box.height < 48)).map(([element]) => element.outerHTML.slice(0, 120))"""
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


class Served:
    """A bench served in a thread of the test."""

    def __init__(self, folder: Path, made: Path) -> None:
        self.bench = BenchOf(folder, made)
        self._listener = socket.create_server(("127.0.0.1", 0))
        port = self._listener.getsockname()[1]
        self.address = f"http://127.0.0.1:{port}"
        app = create_bench_app(self.bench.store, self.bench.settings, WebSettings(port=port))
        config = uvicorn.Config(app, log_level="warning", access_log=False, ws="none", timeout_graceful_shutdown=1)
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self._listener]})
        self._thread.start()

    def close(self) -> None:
        self._server.should_exit = True
        self._thread.join(20)
        self._listener.close()
        self.bench.store.close()
        assert not self._thread.is_alive()


@pytest.fixture
def served(tmp_path: Path, made_store: Path) -> Iterator[Served]:
    running = Served(tmp_path, made_store)
    yield running
    running.close()


@pytest.fixture(scope="module")
def files(yard: Yard, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Give a good card and one that a stranger signed, as files."""
    folder, card = tmp_path_factory.mktemp("cards"), yard.issue("SN-1")
    found = {"good": folder / "one.card.json", "false": folder / "two.card.json"}
    found["good"].write_bytes(encode_file(card))
    found["false"].write_bytes(encode_file(signed_anew(card, stranger())))
    return found


def check(page: Page, watch: Watch, what: str) -> None:
    """Nothing to complain of: width, targets, rules of accessibility, the console."""
    # A page is only as wide as its style sheets say once they are there.
    page.wait_for_load_state("load")
    page.evaluate("for (const each of document.querySelectorAll('details')) each.open = true")
    assert page.evaluate(SIDEWAYS) == 0, what
    assert page.evaluate(SMALL) == [], what
    assert axe_problems(page) == [], what
    # The browser itself notes an answer that is no 200.
    assert [line for line in watch.complaints if "status of 4" not in line] == [], what


def take_in(page: Page, file: Path) -> None:
    page.get_by_role("link", name="Intake").first.click()
    page.get_by_label("File of the card").set_input_files(file)
    page.get_by_role("button", name="Check it and take it in").click()


def walk(page: Page, watch: Watch, address: str, files: dict[str, Path]) -> None:
    """Go from signing in to signing out as a manager does, looking at every page."""
    page.goto(address)
    check(page, watch, "sign in")
    page.get_by_label("Your name here").fill("mona")
    page.get_by_label("Password").fill(CODE)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_text("Nothing is on the bench.")).to_be_visible()
    check(page, watch, "nothing yet")
    take_in(page, files["false"])
    expect(page.get_by_role("heading", name="This card was not taken in")).to_be_visible()
    check(page, watch, "refused")
    take_in(page, files["good"])
    expect(page.get_by_role("status")).to_have_text("card 1 of SN-1 taken in")
    check(page, watch, "job")
    page.get_by_label("Customer").fill("Dee Example")
    page.get_by_role("button", name="Keep").click()
    expect(page.get_by_role("link", name="Dee Example")).to_be_visible()
    page.get_by_role("link", name="SN-1").click()
    expect(page.get_by_role("heading", name="Cards that were taken in")).to_be_visible()
    check(page, watch, "damper")
    for name in ("Intake", "Jobs", "Customers", "Settings"):
        with page.expect_navigation():
            page.get_by_role("navigation", name="Bench").get_by_role("link", name=name).click()
        check(page, watch, name)
    page.get_by_role("link", name="Open the log").click()
    check(page, watch, "log")
    page.goto(f"{address}/customers")
    page.get_by_role("link", name="Dee Example").click()
    check(page, watch, "customer")
    page.goto(f"{address}/nothing")
    check(page, watch, "error")
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", name="Sign in at the bench")).to_be_visible()


def go(browser: Browser, served: Served, files: dict[str, Path], screen: dict[str, Any], scheme: str) -> None:
    with browser.new_context(**screen, color_scheme=scheme) as context:  # type: ignore[arg-type]
        context.set_default_timeout(WAIT_MS)
        expect.set_options(timeout=WAIT_MS)
        page, watch = context.new_page(), Watch()
        watch.listen_to(page)
        walk(page, watch, served.address, files)
        assert all(url.startswith(served.address) for url in watch.requests)


@pytest.mark.parametrize(("screen", "scheme"), SCREENS, ids=["phone-light"])
def test_a_manager_walks_through_all_pages(
    browser: Browser, served: Served, files: dict[str, Path], screen: dict[str, Any], scheme: str
) -> None:
    go(browser, served, files, screen, scheme)


@pytest.mark.slow
@pytest.mark.parametrize(("screen", "scheme"), LONG, ids=["phone-dark", "tablet-light", "tablet-dark"])
def test_a_manager_walks_through_all_pages_in_other_sizes_and_lights(
    browser: Browser, served: Served, files: dict[str, Path], screen: dict[str, Any], scheme: str
) -> None:
    go(browser, served, files, screen, scheme)


def test_without_script_a_damper_comes_in_by_what_its_owner_tells(browser: Browser, served: Served) -> None:
    """An old tablet, or one that blocks scripts."""
    with browser.new_context(**TABLET, java_script_enabled=False) as context:  # type: ignore[arg-type]
        context.set_default_timeout(WAIT_MS)
        page = context.new_page()
        page.goto(f"{served.address}/intake")
        page.get_by_label("Your name here").fill("Theo")
        page.get_by_label("Password").fill(CODE)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_text("No card: by what its owner tells").click()
        page.get_by_label("Serial").fill("ZZ-9")
        # Nothing of its build is chosen for anybody.
        for name, word in (("construction", "emulsion"), ("reservoir", "none"), ("joints", "bushing")):
            choice = page.locator(f"form[action='/intake/told'] select[name='{name}']")
            expect(choice).to_have_value("")
            choice.select_option(word)
        page.get_by_label("Driven since it was new or rebuilt").fill("many")
        page.locator("form[action='/intake/told'] button").click()
        expect(page.get_by_role("alert")).to_contain_text("is no number")
        expect(page.get_by_label("Serial")).to_have_value("ZZ-9")
        page.get_by_label("Driven since it was new or rebuilt").fill("40 000")
        page.locator("form[action='/intake/told'] button").click()
        expect(page.get_by_role("status")).to_have_text("taken in, ZZ-9")
        expect(page.get_by_text("Estimate from what was told, not measured").first).to_be_visible()
