"""InfluxDB for tests: the real one behind the write address of version 2, and a fake that says what it is told to."""

from __future__ import annotations

import gzip
import http.client
import json
import os
import shutil
import socket
import ssl
import subprocess
import threading
import urllib.parse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from daemon.processes import wait_until

TOKEN = "token-for-tests"  # noqa: S105
ORG = "workshop"
PATH = f"{os.environ.get('PATH', '')}:/usr/sbin"
"""nginx lies where an ordinary user doesn't look."""
PROGRAMS = {name: shutil.which(name, path=PATH) for name in ("influxd", "nginx")}
MISSING = [name for name, place in PROGRAMS.items() if place is None]

INFLUXD = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
[http]
  bind-address = "127.0.0.1:{http}"
  log-enabled = false
[monitor]
  store-enabled = false
"""

# What version 1 lacks of version 2's way to write: its path, its word for nanoseconds, its token.
NGINX = """
daemon off;
worker_processes 1;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log error;
events {{ worker_connections 64; }}
http {{
  access_log off;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  client_max_body_size 64k;
  client_body_buffer_size 64k;
  map $http_authorization $is_known {{ default 0; "Token {token}" 1; "Token readonly" 2; }}
  map $arg_precision $old_precision {{ default none; ns n; us u; ms ms; s s; }}
  server {{
    listen 127.0.0.1:{front};
    location = /api/v2/write {{
      if ($is_known = 0) {{ return 401 '{{"code":"unauthorized","message":"unauthorized access"}}'; }}
      if ($is_known = 2) {{ return 403 '{{"code":"forbidden","message":"insufficient permissions"}}'; }}
      proxy_set_header Authorization "";
      proxy_pass http://127.0.0.1:{http}/write?db=$arg_bucket&precision=$old_precision;
    }}
  }}
}}
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class RealInflux:
    """influxd and nginx on ports and in a folder of their own. Killed and started again they keep both."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._ports = {"rpc": free_port(), "http": free_port(), "front": free_port()}
        names = {"folder": folder, "token": TOKEN, **self._ports}
        (folder / "influxd.conf").write_text(INFLUXD.format(**names))
        (folder / "nginx.conf").write_text(NGINX.format(**names))
        self._database: subprocess.Popen[bytes] | None = None
        self._front: subprocess.Popen[bytes] | None = None
        self.url = f"http://127.0.0.1:{self._ports['front']}"

    def start(self) -> None:
        self.start_database()
        self.start_front()

    def start_database(self) -> None:
        self._database = self._launch(["influxd", "-config", str(self._folder / "influxd.conf")])
        wait_until(lambda: self._status("http", "/ping") == 204, "influxd answers")

    def start_front(self) -> None:
        # -e: before it has read its configuration nginx would write to the system's log
        self._front = self._launch(
            ["nginx", "-p", str(self._folder), "-e", str(self._folder / "nginx.log"),
             "-c", str(self._folder / "nginx.conf")]
        )  # fmt: skip
        wait_until(lambda: self._status("front", "/") is not None, "nginx answers")

    def kill_database(self) -> None:
        self._end(self._database)

    def stop_front(self) -> None:
        if self._front is not None and self._front.poll() is None:
            self._front.terminate()  # its workers go with it
            self._front.wait(timeout=20)

    def stop(self) -> None:
        self.stop_front()
        self._end(self._database)

    def query(self, text: str, database: str) -> list[dict[str, object]]:
        """Run InfluxQL and return its series; AssertionError where the database finds something wrong."""
        path = "/query?" + urllib.parse.urlencode({"db": database, "q": text, "epoch": "ns"})
        connection = http.client.HTTPConnection("127.0.0.1", self._ports["http"], timeout=20)
        try:
            connection.request("POST", path)
            answer = json.loads(connection.getresponse().read())
        finally:
            connection.close()
        result = answer.get("results", [answer])[0]
        assert "error" not in result, f"{text}: {result['error']}"
        return list(result.get("series", []))

    def make_database(self, name: str) -> None:
        self.query(f'CREATE DATABASE "{name}"', "")

    def drop_database(self, name: str) -> None:
        self.query(f'DROP DATABASE "{name}"', "")

    def _launch(self, command: list[str]) -> subprocess.Popen[bytes]:
        return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def _status(self, port: str, path: str) -> int | None:
        connection = http.client.HTTPConnection("127.0.0.1", self._ports[port], timeout=2)
        try:
            connection.request("GET", path)
            return connection.getresponse().status
        except OSError:
            return None
        finally:
            connection.close()

    @staticmethod
    def _end(process: subprocess.Popen[bytes] | None) -> None:
        if process is not None and process.poll() is None:
            process.kill()
            process.wait(timeout=20)


@pytest.fixture(scope="session")
def real_influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealInflux]:
    """One real server for all tests of a worker."""
    if MISSING:
        pytest.skip(f"not on this machine: {', '.join(MISSING)}; apt-get install influxdb nginx-light")
    server = RealInflux(tmp_path_factory.mktemp("influx"))
    try:
        server.start()
        yield server
    finally:
        server.stop()


@pytest.fixture
def database(real_influx: RealInflux, request: pytest.FixtureRequest) -> Iterator[str]:
    """An empty database of the test's own in the real server."""
    name = "t_" + "".join(sign if sign.isalnum() else "_" for sign in request.node.name)[:60]
    real_influx.make_database(name)
    yield name
    real_influx.drop_database(name)


@dataclass(frozen=True)
class Reply:
    """What the fake answers. hang: it reads and never answers, until it is closed."""

    status: int = 204
    body: str = ""
    headers: tuple[tuple[str, str], ...] = ()
    hang: bool = False


@dataclass(frozen=True)
class Request:
    """What the fake was sent."""

    path: str
    headers: dict[str, str]
    body_bytes: int
    lines: tuple[bytes, ...]


class FakeInflux:
    """An HTTP server that records every request and answers with the next reply told, else by `judge`."""

    def __init__(self, tls: ssl.SSLContext | None = None) -> None:
        self.history: list[Request] = []
        self.replies: list[Reply] = []
        self.judge: Callable[[Request], Reply] = lambda _request: Reply()
        self._closing = threading.Event()
        fake = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                fake._answer(self)

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        if tls is not None:
            # In the thread of the request: a failed handshake must not end the server.
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True, do_handshake_on_connect=False)
        self._server.handle_error = lambda *_: None  # type: ignore[method-assign]
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self._thread.start()
        self.url = f"{'https' if tls else 'http'}://127.0.0.1:{self._server.server_address[1]}"

    def stored(self) -> list[bytes]:
        """Return every line of every request, in order."""
        return [line for request in self.history for line in request.lines]

    def close(self) -> None:
        self._closing.set()
        self._server.shutdown()
        self._thread.join(timeout=20)
        self._server.server_close()

    def _answer(self, handler: BaseHTTPRequestHandler) -> None:
        raw = handler.rfile.read(int(handler.headers["Content-Length"]))
        body = gzip.decompress(raw) if handler.headers.get("Content-Encoding") == "gzip" else raw
        request = Request(handler.path, dict(handler.headers), len(raw), tuple(body.split(b"\n")))
        self.history.append(request)
        reply = self.replies.pop(0) if self.replies else self.judge(request)
        if reply.hang:
            self._closing.wait(timeout=60)
            handler.close_connection = True
            return
        handler.send_response(reply.status)
        for name, value in reply.headers:
            handler.send_header(name, value)
        payload = reply.body.encode()
        if reply.status != 204:
            handler.send_header("Content-Length", str(len(payload)))
        handler.end_headers()
        handler.wfile.write(payload)


@contextmanager
def running_fake(tls: ssl.SSLContext | None = None) -> Iterator[FakeInflux]:
    fake = FakeInflux(tls)
    try:
        yield fake
    finally:
        fake.close()


@pytest.fixture
def fake_influx() -> Iterator[FakeInflux]:
    with running_fake() as fake:
        yield fake
