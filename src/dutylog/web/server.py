"""The process that serves the pages: one listening socket, clean end on SIGTERM."""

from __future__ import annotations

import asyncio
import ipaddress
import os
import signal
import socket
import sys
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import Protocol

import click
import uvicorn
from starlette.types import ASGIApp

from dutylog.clock import Clock, SystemClock
from dutylog.errors import ConfigError
from dutylog.memory import GIVE_BACK_NS, give_back, keep_what_is_loaded
from dutylog.publish.core_link import SocketReader
from dutylog.web.access import Access
from dutylog.web.app import create_app
from dutylog.web.connections import PageLoop, PatientProtocol
from dutylog.web.feed import LiveFeed
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.opening import Doors, Opening
from dutylog.web.publish_watch import PublishWatch
from dutylog.web.settings import WebSettings

_GRACE_S = 1
"""What an answer under way gets to finish after SIGTERM; the whole stop stays under 2 s."""


class Endable(Protocol):
    """What holds connections open until it is told to end, such as a LiveFeed."""

    def close(self) -> None:
        """End them."""
        ...


class PageServer(uvicorn.Server):
    """uvicorn, plus one line when ready, and live connections ended as soon as a stop is asked for."""

    def __init__(
        self, config: uvicorn.Config, feed: Endable, address: str, is_stale: Callable[[], bool] = lambda: False
    ) -> None:
        """is_stale: asked once a second whether to stop because something else should be served."""
        super().__init__(config)
        self._feed = feed
        self._address = address
        self._is_stale = is_stale
        self._clock = SystemClock()
        self._give_back_ns = 0

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start to serve, then say so."""
        await super().startup(sockets=sockets)
        if self.started:
            keep_what_is_loaded()
            sys.stdout.write(f"pages ready: {self._address}\n")
            sys.stdout.flush()

    async def on_tick(self, counter: int) -> bool:
        """Return whether to stop; called ten times a second."""
        if counter % 10 == 9 and self._is_stale():
            self._feed.close()
            return True
        if self._clock.mono_ns() >= self._give_back_ns:
            self._give_back_ns = self._clock.mono_ns() + GIVE_BACK_NS
            give_back()
        return await super().on_tick(counter)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Take SIGTERM or SIGINT: streams would otherwise hold the stop until the grace time ends."""
        self._feed.close()
        super().handle_exit(sig, frame)


def check_listen(value: str) -> str:
    """Return an IP address, or localhost; ConfigError for anything else."""
    try:
        ipaddress.ip_address(value)
    except ValueError:
        if value != "localhost":
            raise ConfigError([f"--listen {value!r}: give an IP address, such as 127.0.0.1 or 0.0.0.0"]) from None
    return value


class Ending:
    """Set by SIGTERM and SIGINT, wherever they come: uvicorn raises what it took again once it has stopped."""

    def __init__(self) -> None:
        self.is_asked = False
        signal.signal(signal.SIGTERM, self._ask)
        signal.signal(signal.SIGINT, self._ask)

    def _ask(self, _signal: int, _frame: FrameType | None) -> None:
        self.is_asked = True


def serve(data_dir: Path, settings: WebSettings, inherited_fd: int | None = None) -> None:
    """Serve the pages of one data folder until SIGTERM or SIGINT; opens anew when code or certificate change."""
    if not data_dir.is_dir():
        raise ConfigError([f"--data {data_dir}: no such folder; give the data folder of `dutylog run`"])
    clock = SystemClock()
    doors = Doors(replace(settings, data_dir=data_dir), clock, _say, inherited_fd)
    ending = Ending()
    while not ending.is_asked:
        opening = doors.open()
        with ExitStack() as stack:
            for listener in opening.listeners:
                stack.enter_context(listener)
            _serve_once(data_dir, opening, clock, doors)


def _serve_once(data_dir: Path, opening: Opening, clock: Clock, doors: Doors) -> None:
    feed = LiveFeed(clock)
    reader, watch = SocketReader(feed, data_dir), PublishWatch(feed, data_dir)
    access = Access(data_dir, clock, _say)
    app = create_app(feed, SqliteLedgerView(data_dir), opening.settings, reader, watch, access)
    run_pages(app, feed, opening, doors.is_stale)


def run_pages(app: ASGIApp, feed: Endable, opening: Opening, is_stale: Callable[[], bool] = lambda: False) -> None:
    """Serve until asked to stop, or until `is_stale`."""
    context = opening.context
    config = uvicorn.Config(
        app,
        http=PatientProtocol,
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        # Whoever sits on the line is who asks, whatever a header says.
        proxy_headers=False,
        timeout_graceful_shutdown=_GRACE_S,
        timeout_keep_alive=15,
        ws="none",
        ssl_context_factory=None if context is None else lambda _config, _default: context,
    )
    server = PageServer(config, feed, opening.settings.address, is_stale)
    with asyncio.Runner(loop_factory=PageLoop) as runner:
        runner.run(server.serve(sockets=list(opening.listeners)))


def _say(line: str) -> None:
    sys.stderr.write(f"dutylog pages: {line}\n")
    sys.stderr.flush()


@click.command(help="Serve the pages of a data folder.")
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="Folder of `dutylog run`.")
@click.option("--listen", default="127.0.0.1", show_default=True, help="Address to listen on; 0.0.0.0 for all.")
@click.option("--port", default=8321, show_default=True, type=click.IntRange(0, 65535))
@click.option("--name", "names", multiple=True, help="Further host name people may type, such as pi.local.")
@click.option("--tls", is_flag=True, help="Encrypted, with a certificate of our own.")
@click.option("--fd", "inherited_fd", type=click.IntRange(3), help="Descriptor of an inherited listening socket.")
def _command(
    data_dir: Path, listen: str, port: int, names: tuple[str, ...], tls: bool, inherited_fd: int | None
) -> None:
    host_names = tuple(name.lower().rstrip(".") for name in names)
    settings = WebSettings(check_listen(listen), port, host_names, data_dir=data_dir, tls=tls)
    serve(data_dir, settings, inherited_fd)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the pages; return 0 after a clean stop, 2 for bad usage or a taken port."""
    try:
        _command.main(args=None if argv is None else list(argv), prog_name="dutylog.web", standalone_mode=False)
    except click.ClickException as err:
        return _refuse(err.format_message())
    except ConfigError as err:
        return _refuse(str(err))
    return 0


def _refuse(text: str) -> int:
    sys.stderr.write("dutylog pages: " + " ".join(text.split()) + os.linesep)
    return 2
