"""Makes docs/live-*.png: `make pictures`.

live-phone.png comes from the demo, run at ten times its pace: what a phone shows after some simulated minutes. The
others show states that the demo may not reach, from the made-up vehicles of the tests.
"""

from __future__ import annotations

import argparse
import json
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

REPOSITORY = Path(__file__).parents[1]
sys.path.insert(0, str(REPOSITORY / "tests"))

from web.browser_pages import DESK, PHONE, SteadyCore, ThreadedPages  # noqa: E402 - as pytest finds them
from web.core_socket import FakeCore  # noqa: E402
from web.live_samples import alert, every_alert, every_state, hot_vehicle, six_wheels  # noqa: E402
from web.samples import fake_ledger, snapshot  # noqa: E402

PACE = 10
SIMULATED_S = 1500.0
"""All stages of the drive once: the bodies are warm and the lines of temperature show why."""
PATIENCE_S = 1800.0
PAUSE_MS = 1500
"""A made-up vehicle sends twice a second; by then the page has shown it three times."""


@contextmanager
def running_demo() -> Iterator[str]:
    """Start the demo on a free port; give its address; end it by its own pid."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "dutylog.cli.main", "demo", "--pace", str(PACE), "--port", str(port)]
    demo = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    try:
        yield f"http://127.0.0.1:{port}/"
    finally:
        demo.send_signal(signal.SIGTERM)
        demo.wait(30)


def wait_for_drive(address: str) -> None:
    """Wait until the trip has lasted SIMULATED_S."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        try:
            with urllib.request.urlopen(f"{address}api/live", timeout=2) as reply:  # noqa: S310
                now = json.load(reply)["snapshot"]
        except OSError:
            now = None
        if now and now["trip"] and now["trip"]["duration_s"] >= SIMULATED_S:
            return
        time.sleep(0.2)
    raise SystemExit(f"the demo did not drive {SIMULATED_S:.0f} s within {PATIENCE_S:.0f} s")


def open_live_page(address: str, page: Page) -> None:
    """Open the page once it answers, so that its line of temperatures begins with the drive."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        try:
            urllib.request.urlopen(f"{address}health", timeout=2).close()  # noqa: S310
        except OSError:
            time.sleep(0.2)
        else:
            page.goto(address)
            return
    raise SystemExit(f"the demo's page did not answer within {PATIENCE_S:.0f} s")


def new_page(browser: Browser, size: dict[str, Any], **stored: str) -> Page:
    """Return a page of a size, with choices as if made before: theme="sun", big="on"."""
    context = browser.new_context(**size, color_scheme="light", reduced_motion="reduce")
    for name, value in stored.items():
        context.add_init_script(f"localStorage.setItem('dutylog.{name}', '{value}')")
    return context.new_page()


def shoot_demo(browser: Browser, folder: Path) -> None:
    """Take live-phone.png from the demo."""
    with running_demo() as address:
        page = new_page(browser, PHONE)
        open_live_page(address, page)
        wait_for_drive(address)
        page.screenshot(path=folder / "live-phone.png")


def shoot_states(browser: Browser, folder: Path, everything: bool) -> None:
    """Take the states that are in the documents; everything: also the others, to be looked at."""
    warned = hot_vehicle(alerts=(alert(6), *every_alert()[2:3]))
    shots: list[tuple[str, Any, dict[str, Any], dict[str, str], bool]] = [
        ("live-big", hot_vehicle(), PHONE, {"big": "on"}, False),
        ("live-sun", warned, PHONE, {"theme": "sun"}, False),
        ("live-stale", hot_vehicle(), PHONE, {}, True),
    ]
    if everything:
        for size_name, size in (("phone", PHONE), ("desk", DESK)):
            for theme in ("auto", "sun", "night"):
                for name, now in (("states", every_state()), ("six", six_wheels()), ("bare", snapshot(1))):
                    shots.append((f"{size_name}-{theme}-{name}", now, size, {"theme": theme}, False))
                shots.append((f"{size_name}-{theme}-stale", every_state(), size, {"theme": theme}, True))
                shots.append((f"{size_name}-{theme}-big", warned, size, {"theme": theme, "big": "on"}, False))
    with tempfile.TemporaryDirectory() as data, FakeCore(Path(data)) as core:
        pages = ThreadedPages(core, fake_ledger(), Path(data))
        with pages, SteadyCore(core) as steady:
            for name, now, size, stored, stale in shots:
                page = new_page(browser, size, **stored)
                steady.show(now)
                page.goto(pages.address)
                page.wait_for_selector("#dampers .row")
                page.wait_for_timeout(PAUSE_MS)
                if stale:
                    steady.show(None)
                    page.wait_for_selector("#stale:not([hidden])")
                    page.wait_for_timeout(5 * PAUSE_MS)
                page.screenshot(path=folder / f"{name}.png", full_page=everything and not stale)
                page.context.close()


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--browser", default="/usr/bin/chromium")
    parser.add_argument("--output", type=Path, default=REPOSITORY / "docs", help="folder")
    parser.add_argument("--states", action="store_true", help="every state, size and theme instead, to be looked at")
    options = parser.parse_args()
    options.output.mkdir(exist_ok=True)
    flags = ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
    steps: list[Callable[[Browser], None]] = [lambda b: shoot_states(b, options.output, options.states)]
    if not options.states:
        steps.append(lambda b: shoot_demo(b, options.output))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=options.browser, args=flags)
        for step in steps:
            step(browser)
        browser.close()
    for path in sorted(options.output.glob("*.png")):
        print(f"{path}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
