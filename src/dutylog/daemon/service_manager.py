"""What the service manager wants to hear of us: ready, alive, and one line of how it goes.

A few lines of our own: the protocol is one datagram of text to the socket that the environment names.
Source: sd_notify(3), sd_watchdog_enabled(3).
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

from dutylog.clock import Clock

WATCHDOG_PARTS = 3
"""Signs of life in each watchdog span; sd_watchdog_enabled(3) asks for two at least."""
START_SPAN_US = 60_000_000


class ServiceManager:
    """Tells the manager named by the environment; without one every call does nothing."""

    def __init__(self, environment: Mapping[str, str], clock: Clock) -> None:
        """environment: NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID are read. clock: for the pace of signs."""
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._clock = clock
        self._span_ns = _watchdog_ns(environment)
        self._next_ns = 0
        self._status = ""
        self._is_ready = False

    def ready(self) -> None:
        """Say, once, that we do our work."""
        if not self._is_ready:
            self._is_ready = True
            self._send("READY=1")

    def status(self, text: str) -> None:
        """Say in one line how it goes; the same line again is not sent."""
        if text != self._status:
            self._status = text
            self._send("STATUS=" + text.replace("\n", " "))

    def stopping(self) -> None:
        """Say that we end on purpose."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """Give a sign of life where one is due; before we are ready, ask for more time."""
        now_ns = self._clock.mono_ns()
        if now_ns < self._next_ns:
            return
        self._next_ns = now_ns + (self._span_ns or 10_000_000_000) // WATCHDOG_PARTS
        if not self._is_ready:
            self._send(f"EXTEND_TIMEOUT_USEC={START_SPAN_US}")
        if self._span_ns:
            self._send("WATCHDOG=1")

    def _send(self, text: str) -> None:
        if not self._address.startswith(("/", "@")):
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as end:
                end.setblocking(False)
                end.sendto(text.encode(), address)
        except OSError:
            return  # a manager that doesn't listen must not stop us; its watchdog then does what it is for


def _watchdog_ns(environment: Mapping[str, str]) -> int:
    """Return the span within which a sign of life is expected [ns], 0 for none."""
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return 0
    try:
        return max(0, int(environment.get("WATCHDOG_USEC", "0"))) * 1000
    except ValueError:
        return 0
