"""Core's two Unix sockets: snapshots out (newest wins), commands in. Never waits for anybody."""

from __future__ import annotations

import select
import socket
from collections.abc import Callable, Iterable, Set
from pathlib import Path
from typing import Any

from dutylog.errors import InputError, LedgerError
from dutylog.ledger.command import LINE_LIMIT, encode_line, parse_request, refusal
from dutylog.sockets import CORE, LIVE, RESTING, WATCHED, forget, listen

CLIENT_LIMIT = 16


def look(poll: select.poll) -> Set[int]:
    """Return the descriptors that have something to say now: one call to the kernel for all there are."""
    return {descriptor for descriptor, _ in poll.poll(0)}


class _Endpoint:
    """A listening socket in the data folder, readable by its owner only, and its clients.

    _clients: what is still to be sent to, or has come so far from, each.
    """

    def __init__(self, folder: Path, name: str, poll: select.poll) -> None:
        """poll: gets to know the socket and its clients; whoever owns it asks for all of them at once."""
        self._clients: dict[socket.socket, bytes] = {}
        self._poll = poll
        self._folder, self._name = folder, name
        try:
            self._socket = listen(folder, name, CLIENT_LIMIT)
        except OSError as err:
            raise LedgerError(f"{folder / name}: can't listen there ({err.strerror}); check that data folder") from err
        self._poll.register(self._socket, select.POLLIN)

    def close(self) -> None:
        """Hang up, stop listening and take the name away."""
        for client in list(self._clients):
            self._drop(client)
        self._socket.close()
        forget(self._folder, self._name)

    def _look(self, ready: Set[int], first: bytes) -> Set[int]:
        """Accept whoever waits, beginning with `first`; return the descriptors that have something to say by then."""
        if self._socket.fileno() not in ready:
            return ready
        self._take_new(first)
        return look(self._poll)

    def _take_new(self, first: bytes) -> None:
        """Accept whoever waits, beginning with `first`; more than CLIENT_LIMIT are turned away."""
        while True:
            try:
                client, _ = self._socket.accept()
            except OSError:
                return
            if len(self._clients) >= CLIENT_LIMIT:
                client.close()
                continue
            client.setblocking(False)
            self._poll.register(client, select.POLLIN)
            self._clients[client] = first

    def _serve(self, clients: Iterable[socket.socket], serve: Callable[[socket.socket], None]) -> None:
        """Serve clients; one that fails is dropped."""
        for client in clients:
            try:
                serve(client)
            except BlockingIOError:
                continue
            except OSError:
                self._drop(client)

    def _drop(self, client: socket.socket) -> None:
        self._poll.unregister(client)
        del self._clients[client]
        client.close()


class LiveEndpoint(_Endpoint):
    """Hands the newest snapshot to every outlet that can take it; counts the lines it couldn't hand on."""

    def __init__(self, folder: Path, poll: select.poll) -> None:
        super().__init__(folder, LIVE, poll)
        self._newest = b""
        self._resting: set[socket.socket] = set()
        self.dropped_count = 0

    @property
    def is_watched(self) -> bool:
        """Return whether there is an outlet that hasn't said that nobody looks."""
        return len(self._resting) < len(self._clients)

    def publish(self, snapshot: dict[str, Any]) -> None:
        """Send a snapshot; a client still busy with an older line misses it."""
        self._newest = encode_line(snapshot)
        for client, rest in self._clients.items():
            if rest:
                self.dropped_count += 1
            else:
                self._clients[client] = self._newest
        self.serve(frozenset())

    @property
    def is_sending(self) -> bool:
        """Return whether some client hasn't taken all of its line."""
        return any(self._clients.values())

    def serve(self, ready: Set[int]) -> None:
        """Take new clients, send what is left of lines begun, and hear who looks. ready: as `look` gave it."""
        ready = self._look(ready, self._newest)
        self._serve([client for client, rest in self._clients.items() if rest], self._send)
        self._serve([client for client in self._clients if client.fileno() in ready], self._hear)

    def _send(self, client: socket.socket) -> None:
        rest = self._clients[client]
        self._clients[client] = rest[client.send(rest) :]

    def _hear(self, client: socket.socket) -> None:
        said = client.recv(4096)
        if not said:
            self._drop(client)
        elif said.rfind(RESTING) > said.rfind(WATCHED):
            self._resting.add(client)
        elif WATCHED in said:
            self._resting.discard(client)

    def _drop(self, client: socket.socket) -> None:
        self._resting.discard(client)
        super()._drop(client)


class CommandEndpoint(_Endpoint):
    """Takes one-line requests and answers each with one line."""

    def __init__(self, folder: Path, poll: select.poll) -> None:
        super().__init__(folder, CORE, poll)

    def serve(self, ready: Set[int], apply: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
        """Answer what has come in whole; `apply` does a checked request and returns the reply."""
        ready = self._look(ready, b"")
        self._serve([c for c in self._clients if c.fileno() in ready], lambda client: self._read(client, apply))

    def _read(self, client: socket.socket, apply: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
        piece = client.recv(LINE_LIMIT)
        line = self._clients[client] + piece
        if b"\n" not in line and piece and len(line) <= LINE_LIMIT:
            self._clients[client] = line
            return
        if line:
            try:
                reply = apply(parse_request(line.partition(b"\n")[0]))
            except (InputError, LedgerError) as err:
                reply = refusal(err)
            client.setblocking(True)
            client.settimeout(0.2)
            client.sendall(encode_line(reply))
        self._drop(client)
