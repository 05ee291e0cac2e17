"""Is anybody there? Name and TCP, before a library is asked: each of them has words and a remedy of its own."""

from __future__ import annotations

import socket
from collections.abc import Sequence

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail
from dutylog.cli.checks.within import within

STEP_S = 5.0
"""Longest time for a name, for a line and for an answer, each."""


def find_no_way(subject: str, host: str, port: int, keys: str) -> Finding | None:
    """Return why nobody can be reached, None where a line was opened (and closed).

    keys: of the vehicle file that say where it is, for the remedy.
    """
    try:
        places = within(STEP_S, lambda: socket.getaddrinfo(host, port, type=socket.SOCK_STREAM))
    except TimeoutError:
        return fail(subject, f"the name {host} isn't found within {STEP_S:g} s", "is there a network with DNS?")
    except (OSError, UnicodeError) as err:
        reason = getattr(err, "strerror", None) or err
        return fail(subject, f"the name {host} isn't found ({reason})", f"check {keys}, and that there is a network")
    try:
        within(STEP_S, lambda: _connect(places))
    except TimeoutError:
        text = f"nobody answers at {host} port {port} within {STEP_S:g} s"
        return fail(subject, text, f"check {keys}, network and firewall")
    except OSError as err:
        text = f"{host} port {port} can't be reached ({err.strerror or err})"
        return fail(subject, text, f"check {keys}, network, and that the server runs")
    return None


def _connect(places: Sequence[tuple[int, int, int, str, tuple[object, ...]]]) -> None:
    """Open and close a line to the first address that answers; the last error where none does."""
    last: OSError = OSError("no address")
    for family, kind, protocol, _, address in places:
        try:
            with socket.socket(family, kind, protocol) as end:
                end.settimeout(STEP_S / max(1, len(places)))
                end.connect(address)
                return
        except OSError as err:
            last = err
    raise last
