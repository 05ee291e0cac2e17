"""Where the supervisor tells how its processes are: connect, one JSON line, close."""

from __future__ import annotations

import contextlib
import json
import os
import socket
from collections.abc import Callable
from pathlib import Path

from dutylog.sockets import unix_address

STATUS_SOCKET = "supervisor.sock"
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
        end = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        end.setblocking(False)
        old_mask = os.umask(0o177)
        try:
            (self._data_dir / STATUS_SOCKET).unlink(missing_ok=True)
            with unix_address(self._data_dir, STATUS_SOCKET) as address:
                end.bind(address)
            end.listen(MOST_AT_ONCE)
        except OSError:
            end.close()
            return
        finally:
            os.umask(old_mask)
        self._socket = end

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
            with contextlib.suppress(OSError):
                (self._data_dir / STATUS_SOCKET).unlink(missing_ok=True)
