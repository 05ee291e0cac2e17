"""One question over a Unix socket: answers that come and go before anything was said."""

from __future__ import annotations

import socket

import pytest

from dutylog import sockets

NAME = "publish.sock"


@pytest.mark.parametrize(("say", "heard"), [(b"", b'{"ok":true}'), (b"r", b"")])
def test_an_answer_is_heard_though_the_line_is_closed_by_then(tmp_path, monkeypatch, say, heard):
    """Whoever has nothing to say must not fail at saying it; who has something learns that nobody heard it."""
    listener = sockets.listen(tmp_path, NAME, 4)

    class Hasty(socket.socket):
        def connect(self, address):
            super().connect(address)
            client, _ = listener.accept()
            client.sendall(b'{"ok":true}\n')
            client.close()

    monkeypatch.setattr(sockets.socket, "socket", Hasty)
    assert sockets.ask_line(tmp_path, NAME, 5.0, 1000, say) == heard
    listener.close()
