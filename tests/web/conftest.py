"""Fixtures for the tests of the pages."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from web.browser_pages import WAIT_MS, SteadyCore, ThreadedPages, Watch
from web.core_socket import FakeCore
from web.samples import fake_ledger

PAGES = (sys.executable, "-m", "dutylog.web")


@pytest.fixture
def anyio_backend() -> str:
    """Run async tests on asyncio alone, as uvicorn does."""
    return "asyncio"


def end_process(process: subprocess.Popen[str]) -> None:
    """End a process and close its pipes, whatever state it is in."""
    if process.poll() is None:
        process.terminate()
    try:
        process.wait(20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for pipe in (process.stdout, process.stderr):
        if pipe:
            pipe.close()


@contextmanager
def page_process(data_dir: Path, *more: str, port: int = 0) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Start the real server on a free port; ends it by its own pid."""
    import socket

    with socket.create_server(("127.0.0.1", port)) as listener:
        number = listener.getsockname()[1]
        process = subprocess.Popen(
            [*PAGES, "--data", str(data_dir), "--port", str(number), "--fd", str(listener.fileno()), *more],
            pass_fds=[listener.fileno()],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.fullmatch(r"pages ready: (http://127\.0\.0\.1:\d+)/\n", line)
        assert found, (line, process.stderr.read() if process.stderr and process.poll() is not None else "")
        yield process, found[1]
    finally:
        end_process(process)


@pytest.fixture
def start_pages() -> Iterator[Callable[..., tuple[subprocess.Popen[str], str]]]:
    """Give a function that starts the page server and returns its process and address."""
    with ExitStack() as stack:
        yield lambda *args, **kwargs: stack.enter_context(page_process(*args, **kwargs))


@pytest.fixture
def fake_core(tmp_path: Path) -> Iterator[FakeCore]:
    """Give a stand-in for core that listens in a data folder of its own."""
    with FakeCore(tmp_path) as core:
        yield core


@pytest.fixture
def wait_until() -> Callable[..., None]:
    """Give a wait for something in another process; fails the test after `limit_s`."""

    def wait(predicate: Callable[[], object], limit_s: float, what: str = "") -> None:
        end_s = time.monotonic() + limit_s
        while not predicate():
            assert time.monotonic() < end_s, f"not within {limit_s} s: {what}"
            time.sleep(0.02)

    return wait


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Give a real browser; the tests that need one are skipped where there is none."""
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        pytest.skip("no browser here; install one (Debian: apt-get install chromium) to run these tests")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=program,
            headless=True,
            args=["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"],
        )
        yield running
        running.close()


@pytest.fixture
def pages(fake_core: FakeCore) -> Iterator[ThreadedPages]:
    """Give the pages in a thread of the test, with a core and a ledger made up."""
    with ThreadedPages(fake_core, fake_ledger(), fake_core.data_dir) as running:
        yield running


@pytest.fixture
def steady(pages: ThreadedPages) -> Iterator[SteadyCore]:
    """Give a core that sends the same again and again, as a standing vehicle does."""
    with SteadyCore(pages.core) as core:
        yield core


@pytest.fixture
def open_page(browser: Browser, pages: ThreadedPages) -> Iterator[Callable[..., tuple[Page, Watch]]]:
    """Give a function that opens a path at a size and returns the page and what it complains about."""
    contexts: list[BrowserContext] = []

    def open_one(path: str, size: dict[str, Any], **more: Any) -> tuple[Page, Watch]:
        context = browser.new_context(**size, **more)
        context.set_default_timeout(WAIT_MS)
        contexts.append(context)
        page = context.new_page()
        watch = Watch()
        watch.listen_to(page)
        page.goto(pages.address.rstrip("/") + path)
        return page, watch

    expect.set_options(timeout=WAIT_MS)
    yield open_one
    for context in contexts:
        context.close()
