"""Makes docs/live-phone.png from the demo: `make pictures`.

The demo runs here at ten times its pace; the picture is what a phone beside it shows after some simulated minutes.
"""

from __future__ import annotations

import argparse
import json
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

REPOSITORY = Path(__file__).parents[1]
PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}
PACE = 10
SIMULATED_S = 1500.0
"""All stages of the drive once: the bodies are warm and the lines of temperature show why."""
PATIENCE_S = 600.0


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
                snapshot = json.load(reply)["snapshot"]
        except OSError:
            snapshot = None
        if snapshot and snapshot["trip"] and snapshot["trip"]["duration_s"] >= SIMULATED_S:
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


def main() -> None:
    """Take the picture."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--browser", default="/usr/bin/chromium")
    parser.add_argument("--output", type=Path, default=REPOSITORY / "docs" / "live-phone.png")
    options = parser.parse_args()
    options.output.parent.mkdir(exist_ok=True)
    flags = ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
    with running_demo() as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=options.browser, args=flags)
        page = browser.new_context(**PHONE, color_scheme="light", reduced_motion="reduce").new_page()
        open_live_page(address, page)
        wait_for_drive(address)
        page.screenshot(path=options.output)
        browser.close()
    print(f"{options.output}: {options.output.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
