"""The process that serves the pages: one listening socket, clean end on SIGTERM."""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import FrameType

import click
import uvicorn

from dutylog.clock import SystemClock
from dutylog.errors import ConfigError
from dutylog.publish.core_link import SocketReader
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.publish_watch import PublishWatch
from dutylog.web.settings import WebSettings

_BACKLOG = 64
_GRACE_S = 1
"""What an answer under way gets to finish after SIGTERM; the whole stop stays under 2 s."""


class PageServer(uvicorn.Server):
    """uvicorn, plus one line when ready, and live connections ended as soon as a stop is asked for."""

    def __init__(self, config: uvicorn.Config, feed: LiveFeed, address: str) -> None:
        super().__init__(config)
        self._feed = feed
        self._address = address

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start to serve, then say so."""
        await super().startup(sockets=sockets)
        if self.started:
            sys.stdout.write(f"pages ready: {self._address}\n")
            sys.stdout.flush()

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Take SIGTERM or SIGINT: streams would otherwise hold the stop until the grace time ends."""
        self._feed.close()
        super().handle_exit(sig, frame)


def open_listener(settings: WebSettings, inherited_fd: int | None) -> socket.socket:
    """Return a listening socket.

    Raises:
        ConfigError: address in use or not ours, port out of reach, or the descriptor is no socket.
    """
    if inherited_fd is not None:
        return _inherited(inherited_fd)
    where = f"{settings.listen_host} port {settings.port}"
    try:
        family = socket.getaddrinfo(settings.listen_host, settings.port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((settings.listen_host, settings.port), family=family, backlog=_BACKLOG)
    except OSError as err:
        raise ConfigError([f"{where}: {err.strerror or err}; choose another with --port or --listen"]) from err


def _inherited(descriptor: int) -> socket.socket:
    try:
        listener = socket.socket(fileno=descriptor)
    except OSError as err:
        raise ConfigError([f"--fd {descriptor}: {err.strerror}; give a listening TCP socket"]) from err
    listening = listener.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN)
    if listener.family not in (socket.AF_INET, socket.AF_INET6) or not listening:
        listener.close()
        raise ConfigError([f"--fd {descriptor} doesn't listen on TCP; give a listening TCP socket"])
    return listener


def _check_listen(value: str) -> str:
    try:
        ipaddress.ip_address(value)
    except ValueError:
        if value != "localhost":
            raise ConfigError([f"--listen {value!r}: give an IP address, such as 127.0.0.1 or 0.0.0.0"]) from None
    return value


def serve(data_dir: Path, settings: WebSettings, inherited_fd: int | None = None) -> None:
    """Serve the pages of one data folder until SIGTERM or SIGINT."""
    if not data_dir.is_dir():
        raise ConfigError([f"--data {data_dir}: no such folder; give the data folder of `dutylog run`"])
    listener = open_listener(settings, inherited_fd)
    settings = replace(settings, port=listener.getsockname()[1])
    feed = LiveFeed(SystemClock())
    reader, watch = SocketReader(feed, data_dir), PublishWatch(feed, data_dir)
    app = create_app(feed, SqliteLedgerView(data_dir), settings, reader, watch)
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=_GRACE_S,
        timeout_keep_alive=15,
        ws="none",
    )
    # uvicorn raises the signal again once it has stopped; a handler of ours turns that into status 0
    signal.signal(signal.SIGTERM, _end_quietly)
    signal.signal(signal.SIGINT, _end_quietly)
    with listener:
        PageServer(config, feed, settings.address).run(sockets=[listener])


def _end_quietly(_signal: int, _frame: FrameType | None) -> None:
    """Let the process run to its end."""


@click.command(help="Serve the pages of a data folder.")
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="Folder of `dutylog run`.")
@click.option("--listen", default="127.0.0.1", show_default=True, help="Address to listen on; 0.0.0.0 for all.")
@click.option("--port", default=8321, show_default=True, type=click.IntRange(0, 65535))
@click.option("--name", "names", multiple=True, help="Further host name people may type, such as pi.local.")
@click.option("--fd", "inherited_fd", type=click.IntRange(3), help="Descriptor of an inherited listening socket.")
def _command(data_dir: Path, listen: str, port: int, names: tuple[str, ...], inherited_fd: int | None) -> None:
    host_names = tuple(name.lower().rstrip(".") for name in names)
    settings = WebSettings(_check_listen(listen), port, host_names, data_dir=data_dir)
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
