"""Where the supervisor tells how its processes are: connect, one JSON line, close."""

from __future__ import annotations

import contextlib
import json
import socket
from collections.abc import Callable
from pathlib import Path

from dutylog.sockets import SUPERVISOR, forget, listen

MOST_AT_ONCE = 8


class StatusSocket:
    """A listening socket in the data folder, for its owner only; never waits for anybody.

    Where it can't be made (a read-only disk) nobody is answered, and nothing else is worse for it.
    """

    def __init__(self, data_dir: Path) -> None:
        self._data_dir = data_dir
        self._socket: socket.socket | None = None
        self._is_open = False

    def open(self) -> None:
        """Listen from now on; only the first call does. Not before core holds the folder: else it is another's."""
        if self._is_open:
            return
        self._is_open = True
        with contextlib.suppress(OSError):
            self._socket = listen(self._data_dir, SUPERVISOR, MOST_AT_ONCE)

    def answer(self, state: Callable[[], dict[str, object]]) -> None:
        """Give whoever waits the state of now."""
        for _ in range(MOST_AT_ONCE):
            if self._socket is None:
                return
            try:
                client, _address = self._socket.accept()
            except OSError:
                return
            with client, contextlib.suppress(OSError):
                client.setblocking(False)
                client.send(json.dumps(state(), allow_nan=False).encode() + b"\n")

    def close(self) -> None:
        """Stop listening and take the name away; safe to call twice."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
            forget(self._data_dir, SUPERVISOR)
