"""Fixtures for the tests of the pages."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from web.core_socket import FakeCore

PAGES = (sys.executable, "-m", "dutylog.web")


@pytest.fixture
def anyio_backend() -> str:
    """Run async tests on asyncio alone, as uvicorn does."""
    return "asyncio"


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
        if process.poll() is None:
            os.kill(process.pid, signal.SIGTERM)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for pipe in (process.stdout, process.stderr):
            if pipe:
                pipe.close()


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
