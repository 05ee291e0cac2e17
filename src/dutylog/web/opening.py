"""Where the pages listen, decided at each opening: other machines only once there is an access code."""

from __future__ import annotations

import os
import socket
import ssl
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from dutylog.clock import Clock
from dutylog.errors import ConfigError
from dutylog.web.access import is_loopback
from dutylog.web.access_code import AccessStore
from dutylog.web.settings import WebSettings
from dutylog.web.tls import (
    CERTIFICATE_FILE,
    Certificate,
    host_names,
    is_due,
    make_context,
    settle_certificate,
    wanted_names,
)

LOOPBACK = "127.0.0.1"
_BACKLOG = 64
_LOOK_EACH_S = 600.0
"""So often a certificate's end is looked at."""


@dataclass(frozen=True, slots=True)
class Opening:
    """One run of the server. settings: with the address it really listens on, and the machine's own names.

    listeners: each listens already.
    """

    settings: WebSettings
    listeners: tuple[socket.socket, ...]
    context: ssl.SSLContext | None


class Doors:
    """Opens, and says when to close and open anew: a code came or went, the certificate is another or ends."""

    def __init__(self, wanted: WebSettings, clock: Clock, say: Callable[[str], None], descriptor: int | None) -> None:
        """wanted: as asked for, with its data folder. descriptor: of an inherited listening socket, None: our own."""
        self._wanted = wanted
        self._data_dir = wanted.data_dir or Path()
        self._clock = clock
        self._say = say
        self._descriptor = descriptor
        self._store = AccessStore(self._data_dir)
        self._port = wanted.port
        self._certificate: Certificate | None = None
        self._opened_for: tuple[bool, object] = (False, None)
        self._looked_ns = 0

    def open(self) -> Opening:
        """Return what to serve on.

        Raises:
            ConfigError: address in use or not ours, port out of reach, no certificate, or no listening socket.
        """
        is_withheld = self._is_withheld()
        settings = replace(self._wanted, host_names=(*self._wanted.host_names, *host_names()))
        if is_withheld:
            self._say(
                f"web.listen {settings.listen_host}: not opened to other machines, "
                f"{self._store.problem or 'no access code is set; run dutylog access set'}; "
                f"until then the pages are on {LOOPBACK} alone"
            )
            # An inherited socket stays as it is; the guard turns other machines away then.
            settings = replace(settings, listen_host=LOOPBACK) if self._descriptor is None else settings
        context = self._make_context() if settings.tls else None
        with ExitStack() as undo:
            listeners = self._listen(settings, undo)
            undo.pop_all()
        self._port = listeners[0].getsockname()[1]
        self._opened_for = (is_withheld, self._certificate_mark())
        return Opening(replace(settings, port=self._port), listeners, context)

    def is_stale(self) -> bool:
        """Return whether what was opened is no longer what should be; asked once a second."""
        if self._opened_for != (self._is_withheld(), self._certificate_mark()):
            return True
        now_ns = self._clock.mono_ns()
        if self._certificate is None or now_ns - self._looked_ns < _LOOK_EACH_S * 1e9:
            return False
        self._looked_ns = now_ns
        return is_due(self._certificate, self._clock.utc_ns())

    def _is_withheld(self) -> bool:
        """Return whether other machines should reach the pages and may not: there is no code in force."""
        host = self._wanted.listen_host
        return not is_loopback(host) and host != "localhost" and self._store.current() is None

    def _make_context(self) -> ssl.SSLContext:
        names = wanted_names(self._wanted.listen_host, self._wanted.host_names)
        found = settle_certificate(self._data_dir, names, self._clock.utc_ns())
        if self._certificate is None or found.fingerprint != self._certificate.fingerprint:
            self._say(f"certificate of the pages: SHA-256 {found.fingerprint}")
        self._certificate = found
        return make_context(found)

    def _certificate_mark(self) -> object:
        """Return what changes with the certificate's file."""
        if not self._wanted.tls:
            return None
        try:
            status = os.stat(self._data_dir / CERTIFICATE_FILE)
        except OSError:
            return None
        return (status.st_ino, status.st_mtime_ns, status.st_size)

    def _listen(self, settings: WebSettings, undo: ExitStack) -> tuple[socket.socket, ...]:
        if self._descriptor is not None:
            return (undo.enter_context(_inherited(self._descriptor)),)
        first = undo.enter_context(open_listener(settings.listen_host, self._port))
        listeners = [first]
        if settings.listen_host not in ("0.0.0.0", "localhost") and not is_loopback(settings.listen_host):  # noqa: S104
            # The machine itself, its supervisor and `dutylog check` always find the pages here.
            listeners.append(undo.enter_context(open_listener(LOOPBACK, first.getsockname()[1])))
        return tuple(listeners)


def open_listener(host: str, port: int) -> socket.socket:
    """Return a listening socket; ConfigError where there can be none."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((host, port), family=family, backlog=_BACKLOG)
    except OSError as err:
        where = f"{host} port {port}"
        raise ConfigError([f"{where}: {err.strerror or err}; choose another with --port or --listen"]) from err


def _inherited(descriptor: int) -> socket.socket:
    # A copy: it is opened again when a code or a certificate changes.
    try:
        listener = socket.socket(fileno=os.dup(descriptor))
    except OSError as err:
        raise ConfigError([f"--fd {descriptor}: {err.strerror}; give a listening TCP socket"]) from err
    listening = listener.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN)
    if listener.family not in (socket.AF_INET, socket.AF_INET6) or not listening:
        listener.close()
        raise ConfigError([f"--fd {descriptor} doesn't listen on TCP; give a listening TCP socket"])
    return listener
