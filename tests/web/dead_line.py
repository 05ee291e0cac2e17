"""A line between browser and pages that can go dead without a word, as a radio link behind a hill does."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
from typing import Self

_STEP_S = 0.05
_CHUNK_BYTES = 65_536


class DeadLine:
    """Passes bytes on to a port of this machine. While `dead`, nothing passes, and nobody is told: no end, no reset."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listener.getsockname()[1]}/"
        self.dead = False
        self._ended = False
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, _kind: object, _err: object, _trace: object) -> None:
        self._ended = True
        self._thread.join()

    def _run(self) -> None:
        with selectors.DefaultSelector() as selector, self._listener:
            selector.register(self._listener, selectors.EVENT_READ)
            while not self._ended:
                if self.dead:
                    threading.Event().wait(_STEP_S)
                    continue
                for key, _ in selector.select(_STEP_S):
                    self._pass_on(selector, key)
            for key in [key for key in selector.get_map().values() if key.data is not None]:
                key.fileobj.close()  # type: ignore[union-attr]

    def _pass_on(self, selector: selectors.BaseSelector, key: selectors.SelectorKey) -> None:
        if key.data is None:
            near, _ = self._listener.accept()
            far = socket.create_connection(("127.0.0.1", self._port))
            selector.register(near, selectors.EVENT_READ, far)
            selector.register(far, selectors.EVENT_READ, near)
            return
        one, other = key.fileobj, key.data
        try:
            data = one.recv(_CHUNK_BYTES)  # type: ignore[union-attr]
            if data:
                other.sendall(data)
        except OSError:
            data = b""
        if not data:
            for end in (one, other):
                with contextlib.suppress(KeyError, ValueError):
                    selector.unregister(end)
                end.close()
