"""An outlet of the tests' own: reads core's snapshots as the pages do."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
import time

from dutylog.sockets import unix_address


class LiveReader:
    """Collects snapshots in the background; connects again whenever core was away."""

    def __init__(self, data_dir):
        self._data_dir = data_dir
        self.snapshots = []
        self._stopping = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def newest(self):
        """Return the newest snapshot or None."""
        return self.snapshots[-1] if self.snapshots else None

    def close(self):
        """Hang up."""
        self._stopping = True
        self._thread.join(10)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def _run(self):
        while not self._stopping:
            with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as end:
                with unix_address(self._data_dir, "live.sock") as address:
                    end.connect(address)
                self._read(end)
            time.sleep(0.05)

    def _read(self, end):
        end.settimeout(0.2)
        rest = b""
        while not self._stopping:
            try:
                piece = end.recv(65_536)
            except TimeoutError:
                continue
            if not piece:
                return
            *lines, rest = (rest + piece).split(b"\n")
            self.snapshots += [json.loads(line) for line in lines]
