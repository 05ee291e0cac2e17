"""A stand-in for core: listens on the Unix socket and sends whatever a test tells it to."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from pathlib import Path
from typing import Self

from dutylog.publish.snapshot import Snapshot, encode_snapshot
from dutylog.sockets import LIVE, unix_address

_SEND_LIMIT_S = 5.0


class FakeCore:
    """Accepts connections in a thread of its own; keeps the newest line for those who come later."""

    def __init__(self, data_dir: Path) -> None:
        self.data_dir = data_dir
        self.accepted_count = 0
        self._clients: list[socket.socket] = []
        self._last = b""
        self._lock = threading.Lock()
        self._listener: socket.socket | None = None
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, _kind: object, _err: object, _trace: object) -> None:
        self.stop()

    def start(self) -> None:
        """Listen, as core does when it starts."""
        with unix_address(self.data_dir, LIVE) as path:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(path)
            self._listener = socket.socket(socket.AF_UNIX)
            self._listener.bind(path)
        self._listener.listen()
        self._thread = threading.Thread(target=self._accept, args=(self._listener,))
        self._thread.start()

    def stop(self) -> None:
        """End like a killed core: connections break, nobody listens, the socket file stays."""
        if self._listener is None:
            return
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._listener = None
        if self._thread:
            self._thread.join()
        self.drop_clients()

    def drop_clients(self) -> None:
        """Break every connection."""
        with self._lock:
            for client in self._clients:
                with contextlib.suppress(OSError):
                    client.shutdown(socket.SHUT_RDWR)
                client.close()
            self._clients.clear()

    def push(self, snapshot: Snapshot) -> None:
        """Send a snapshot to every connected process and keep it for those who come later."""
        self.push_bytes(encode_snapshot(snapshot), keep=True)

    def said(self) -> bytes:
        """Return what has come from all who are connected since this was last asked."""
        heard = b""
        with self._lock:
            for client in select.select(self._clients, [], [], 0)[0]:
                heard += client.recv(4096)
        return heard

    def push_bytes(self, data: bytes, keep: bool = False) -> None:
        """Send any bytes."""
        with self._lock:
            if keep:
                self._last = data
            for client in list(self._clients):
                try:
                    client.sendall(data)
                except OSError:
                    client.close()
                    self._clients.remove(client)

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            with self._lock:
                self.accepted_count += 1
                client.settimeout(_SEND_LIMIT_S)
                self._clients.append(client)
                if self._last:
                    with contextlib.suppress(OSError):
                        client.sendall(self._last)
