"""Old figures never pass for new ones: the page says within 2 s that they stopped, whatever stopped, and comes back."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

import psutil
import pytest
from playwright.sync_api import Browser, Page, expect

from web.browser_pages import DESK, PHONE, WAIT_MS, SteadyCore, ThreadedPages, Watch, rows_of
from web.dead_line import DeadLine
from web.live_samples import hot_vehicle
from web.samples import snapshot

pytestmark = pytest.mark.browser
# The phone always; the desk with the long forms.
SIZES = pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.slow)], ids=["phone", "desk"])
OpenPage = Callable[..., Any]
WaitUntil = Callable[..., None]


def assert_stale(page: Page) -> None:
    """The whole page says it, in words, not by a colour."""
    expect(page.locator("#stale")).to_be_visible()
    expect(page.locator("#stale")).to_contain_text("Stale")
    expect(page.locator("#stale")).to_contain_text("Values below are old.")
    expect(page.locator("#stale-age")).to_have_text(re.compile(r"no new data for \d+ (s|min)"))
    assert page.title().startswith("STALE – ")
    assert page.evaluate("getComputedStyle(document.getElementById('live')).borderImageSource").startswith("repeating")


@SIZES
def test_figures_are_stale_two_seconds_after_the_last_of_them(
    pages: ThreadedPages, browser: Browser, size: dict[str, Any]
) -> None:
    """By the page's own clock, held still here: live a moment before two seconds, stale a moment after."""
    expect.set_options(timeout=WAIT_MS)
    pages.core.push(snapshot(1))
    context = browser.new_context(**size)
    page = context.new_page()
    page.clock.install()
    page.goto(pages.address)
    expect(page.locator("#vehicle")).to_have_text("Demo truck")
    page.clock.pause_at(page.evaluate("Date.now() / 1000") + 60)
    pages.core.push(snapshot(2, speed_mps=10.0))
    expect(page.locator("#speed")).to_have_text("36\u00a0km/h")
    # a message that was under way for some milliseconds is that much older than the page saw it come
    page.clock.run_for(1500)
    expect(page.locator("#link-word")).to_have_text("live")
    assert page.locator("#stale").is_hidden()
    page.clock.run_for(510)
    assert page.locator("#link-word").inner_text() in ("", "stale")
    assert_stale(page)
    expect(page.locator("#stale-age")).to_have_text("no new data for 2 s")
    context.close()


def test_stale_is_said_to_a_screen_reader_once_and_politely(steady: SteadyCore, open_page: OpenPage) -> None:
    """A status, not an alarm; and again when it is over."""
    steady.show(snapshot(1))
    page, _ = open_page("/", PHONE)
    expect(page.locator("#link-word")).to_have_text("live")
    steady.show(None)
    expect(page.locator("#spoken")).to_have_text("Stale: no new data, values are old")
    assert page.locator("#spoken").get_attribute("role") == "status"
    assert page.locator("#stale [role], #stale[role], #stale [aria-live]").count() == 0
    steady.show(snapshot(2))
    expect(page.locator("#spoken")).to_have_text("Live again")


@SIZES
def test_stale_rows_keep_their_figures_dimmed_and_marked(
    steady: SteadyCore, open_page: OpenPage, size: dict[str, Any]
) -> None:
    """The last figure is still worth something, if nobody can take it for a new one."""
    steady.show(hot_vehicle())
    page, watch = open_page("/", size)
    expect(page.locator("#link-word")).to_have_text("live")
    before = rows_of(page)
    look = "(e) => { const s = getComputedStyle(e); return [s.color, s.fontWeight]; }"
    fresh = page.locator("#dampers .number").first.evaluate(look)
    steady.show(None)
    expect(page.locator("#stale")).to_be_visible()
    assert rows_of(page) == before
    old = page.locator("#dampers .number").first.evaluate(look)
    assert fresh[0] != old[0]
    assert (fresh[1], old[1]) == ("700", "400")
    assert page.locator("#dampers .old").all_inner_texts() == ["old"] * 4
    assert page.locator("#dampers .state").all_inner_texts() == ["was\nok", "was\nwarm", "was\nhot", "was\nok"]
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    steady.show(hot_vehicle())
    expect(page.locator("#stale")).to_be_hidden()
    assert page.title() == "Demo truck – live"
    assert watch.complaints == []


def test_which_part_is_silent_is_said(steady: SteadyCore, open_page: OpenPage) -> None:
    """A silent logger is another errand than a phone out of reach."""
    steady.show(snapshot(1))
    page, _ = open_page("/", PHONE)
    expect(page.locator("#link-word")).to_have_text("live")
    steady.show(None)
    expect(page.locator("#stale-why")).to_have_text("The pages answer, the logger is silent.")
    page.context.set_offline(True)
    expect(page.locator("#stale-why")).to_have_text("This screen has lost the vehicle; it tries again by itself.")
    page.context.set_offline(False)
    steady.show(snapshot(2))
    expect(page.locator("#link-word")).to_have_text("live")


@SIZES
def test_a_network_that_drops_is_seen_and_found_again(
    pages: ThreadedPages, steady: SteadyCore, browser: Browser, size: dict[str, Any]
) -> None:
    """Behind a hill nobody says that the line is dead: what isn't heard is old, and the page finds its way back."""
    expect.set_options(timeout=60_000)
    steady.show(hot_vehicle())
    with DeadLine(int(pages.address.rstrip("/").rsplit(":", 1)[1])) as line:
        context = browser.new_context(**size)
        page = context.new_page()
        page.goto(line.address)
        expect(page.locator("#link-word")).to_have_text("live")
        line.dead = True
        expect(page.locator("#stale")).to_be_visible()
        assert_stale(page)
        expect(page.locator("#stale-why")).to_have_text("This screen has lost the vehicle; it tries again by itself.")
        steady.show(hot_vehicle(speed_mps=20.0))
        line.dead = False
        expect(page.locator("#speed")).to_have_text("72\u00a0km/h")
        expect(page.locator("#link-word")).to_have_text("live")
        expect(page.locator("#stale")).to_be_hidden()
        context.close()


@contextmanager
def demo_daemon(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """Run the real daemon on the simulated vehicle; end it by its own pid."""
    import socket

    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    vehicle = folder / "vehicle.toml"
    vehicle.write_text(resources.files("dutylog.sim").joinpath("demo_vehicle.toml").read_text("utf-8"), "utf-8")
    command = [sys.executable, "-m", "dutylog.daemon", "--config", str(vehicle), "--data", str(folder / "data")]
    daemon = subprocess.Popen([*command, "--port", str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield daemon, f"http://127.0.0.1:{port}/"
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(60)


def answer(address: str) -> dict[str, Any] | None:
    """Return a JSON answer of the pages, None while there is none."""
    try:
        with urllib.request.urlopen(address, timeout=2) as reply:  # noqa: S310
            found: dict[str, Any] = json.load(reply)
            return found
    except OSError:
        return None


def pid_of_core(daemon: subprocess.Popen[bytes]) -> int | None:
    """Return the process of core among the daemon's own children."""
    children = psutil.Process(daemon.pid).children()
    found = [child.pid for child in children if any("daemon.core" in word for word in child.cmdline())]
    return found[0] if found else None


def test_a_killed_core_is_seen_and_its_successor_too(browser: Browser, tmp_path: Path, wait_until: WaitUntil) -> None:
    """Real processes: core is killed, the page says stale, and goes on when the supervisor has a new one.

    The supervisor is held still meanwhile: on a quick machine its new core is there before the two seconds are over.
    """
    expect.set_options(timeout=120_000)
    with demo_daemon(tmp_path) as (daemon, address):
        wait_until(lambda: (answer(f"{address}api/live") or {}).get("link") == "live", 120, "the demo is live")
        page = browser.new_page()
        watch = Watch()
        watch.listen_to(page)
        page.goto(address)
        expect(page.locator("#link-word")).to_have_text("live")
        page.evaluate(
            """() => { window.turned = null; const live = document.getElementById("live");
            new MutationObserver(() => { if (live.dataset.link === "stale" && window.turned === null)
                window.turned = document.getElementById("stale-age").textContent; })
                .observe(live, { attributes: true, subtree: true, childList: true, characterData: true }); }"""
        )
        core = pid_of_core(daemon)
        assert core
        daemon.send_signal(signal.SIGSTOP)
        try:
            os.kill(core, signal.SIGKILL)
            wait_until(lambda: page.evaluate("window.turned"), 60, "the page turned stale after core was killed")
        finally:
            daemon.send_signal(signal.SIGCONT)
        assert re.fullmatch(r"no new data for \d+ s", page.evaluate("window.turned"))
        expect(page.locator("#link-word")).to_have_text("live")
        expect(page.locator("#stale")).to_be_hidden()
        assert pid_of_core(daemon) != core
        errors = [line for line in watch.complaints if line.startswith("error: ")]
        assert errors == []
        page.close()
