"""Serves the pages in a thread of the test, with a ledger in memory, for the real browser."""

from __future__ import annotations

import socket
import threading
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Self

import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from dutylog.clock import Clock, SystemClock
from dutylog.publish.core_link import SocketReader
from dutylog.publish.snapshot import Snapshot
from dutylog.web.access import Access
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.review_desk import ReviewDesk
from dutylog.web.server import PageServer
from dutylog.web.settings import WebSettings
from web.core_socket import FakeCore
from web.life_samples import fake_jobs
from web.samples import FakeLedgerView

PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}
DESK = {"viewport": {"width": 1280, "height": 800}}
WAIT_MS = 30_000
REPEAT_S = 0.4


class ThreadedPages:
    """The real application and server; only the process and the ledger are stand-ins."""

    def __init__(
        self,
        core: FakeCore,
        view: FakeLedgerView,
        data_dir: Path,
        clock: Clock | None = None,
        access: Access | None = None,
        desk: ReviewDesk | None = None,
    ) -> None:
        """desk: reviews the trips of `data_dir`; None: the pages have no data folder of their own."""
        self._listener = socket.create_server(("127.0.0.1", 0))
        settings = WebSettings(port=self._listener.getsockname()[1], data_dir=data_dir if desk else None)
        self.address = settings.address
        self.core = core
        self.view = view
        self.feed = LiveFeed(clock or SystemClock())
        self.jobs = fake_jobs()
        reader = SocketReader(self.feed, data_dir)
        app = create_app(self.feed, view, settings, reader, access=access, jobs=self.jobs, desk=desk)
        config = uvicorn.Config(app, log_level="warning", access_log=False, ws="none", timeout_graceful_shutdown=1)
        self._server = PageServer(config, self.feed, self.address)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self._listener]})

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, _kind: object, _err: object, _trace: object) -> None:
        self._server.should_exit = True
        self._thread.join(10)
        self._listener.close()
        assert not self._thread.is_alive()


class SteadyCore:
    """A core that goes on: sends what it was given again and again, so that a page on a slow machine stays live."""

    def __init__(self, core: FakeCore) -> None:
        self._core = core
        self._snapshot: Snapshot | None = None
        self._seq = 1000
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._go_on)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, _kind: object, _err: object, _trace: object) -> None:
        self._ended.set()
        self._thread.join()

    def show(self, snapshot: Snapshot | None) -> None:
        """Send this from now on; None: nothing any more."""
        with self._lock:
            self._snapshot = snapshot
            self._send()

    def _go_on(self) -> None:
        while not self._ended.wait(REPEAT_S):
            with self._lock:
                self._send()

    def _send(self) -> None:
        if self._snapshot is not None:
            self._seq += 1
            self._core.push(replace(self._snapshot, seq=self._seq))


@dataclass
class Watch:
    """What a page asked for and complained about."""

    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def listen_to(self, page: Page) -> None:
        """Keep requests, console lines and errors of a page."""
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self.complaints.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: self.complaints.append(f"error: {error}"))


def rows_of(page: Page) -> list[dict[str, Any]]:
    """Return what each row of the live page shows, by part, in the order of the page."""
    found: list[dict[str, Any]] = page.evaluate(
        """() => [...document.querySelectorAll("#dampers .row")].map((row) => {
            const text = (part) => row.querySelector(part).textContent.replaceAll("\\u00a0", " ");
            const seen = (part) => row.querySelector(part).checkVisibility();
            return {
                position: text(".position"), body: text(".number") + text(".unit"), limit: text(".limit"),
                heat: text(".heat-text"), label: text(".heat-label"),
                bar: row.querySelector(".bar-fill").getAttribute("width"),
                strokes: text(".strokes-text").replaceAll("\\u202f", ""), state: text(".state-word"),
                shape: row.querySelector(".shape use").getAttribute("href"), advice: text(".advice"),
                ahead: seen(".ahead") ? text(".ahead-number") : "", unit: text(".ahead-unit"),
                range: text(".ahead-range"), word: text(".ahead-word"),
                oil: seen(".oil") ? text(".oil-text") : "", doubt: text(".oil-doubt"),
                trend: seen(".trend") ? text(".trend-word") : "", rate: text(".trend-rate"),
                arrow: row.querySelector(".trend use").getAttribute("href"),
                damping: seen(".damping") ? text(".damping") : "",
            };
        })"""
    )
    return found


def axe_problems(page: Page) -> list[tuple[str, list[str]]]:
    """Return what axe-core finds against WCAG 2.1 A and AA and its own good practice: rule and places."""
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
    found = Axe().run(page, options={"runOnly": rules}).response
    assert found["passes"], "the checker looked at nothing"
    return [(each["id"], [node["html"][:160] for node in each["nodes"]]) for each in found["violations"]]
