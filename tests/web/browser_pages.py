"""Serves the pages in a thread of the test, with a ledger in memory, for the real browser."""

from __future__ import annotations

import socket
import threading
from pathlib import Path
from typing import Self

import uvicorn

from dutylog.clock import Clock, SystemClock
from dutylog.publish.core_link import SocketReader
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.server import PageServer
from dutylog.web.settings import WebSettings
from web.core_socket import FakeCore
from web.samples import FakeLedgerView


class ThreadedPages:
    """The real application and server; only the process and the ledger are stand-ins."""

    def __init__(self, core: FakeCore, view: FakeLedgerView, data_dir: Path, clock: Clock | None = None) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        settings = WebSettings(port=self._listener.getsockname()[1])
        self.address = settings.address
        self.core = core
        self.view = view
        self.feed = LiveFeed(clock or SystemClock())
        app = create_app(self.feed, view, settings, SocketReader(self.feed, data_dir))
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
