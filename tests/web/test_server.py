"""The page server as a real process: readiness, streams, limits, stopping, bad usage."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest

from web.conftest import PAGES
from web.core_socket import FakeCore
from web.samples import snapshot

STOP_LIMIT_S = 2.0


def run(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*PAGES, *args], capture_output=True, text=True, timeout=30, check=False)


def events_of(response: httpx.Response) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield (event, data) of a stream as it comes."""
    kind = ""
    for line in response.iter_lines():
        if line.startswith("event: "):
            kind = line[7:]
        elif line.startswith("data: "):
            yield kind, json.loads(line[6:])


@pytest.mark.parametrize(
    ("args", "named"),
    [
        ([], "--data"),
        (["--data", "/nowhere/at/all"], "/nowhere/at/all"),
        (["--data", ".", "--port", "99999"], "99999"),
        (["--data", ".", "--port", "x"], "x"),
        (["--data", ".", "--listen", "not-an-address"], "not-an-address"),
        (["--data", ".", "--fd", "77"], "77"),
        (["--data", ".", "--unknown"], "--unknown"),
    ],
)
def test_bad_usage_is_one_line_and_status_2(args: list[str], named: str) -> None:
    """What, where, value seen, remedy; never a traceback."""
    done = run(*args)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert named in done.stderr


def test_taken_port_is_one_line_and_status_2(tmp_path: Path) -> None:
    """The most common mistake: it runs already."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = str(other.getsockname()[1])
        done = run("--data", str(tmp_path), "--port", port)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert port in done.stderr
    assert "--port" in done.stderr


def test_every_phone_gets_the_newest_at_once_and_then_each_new_one(
    fake_core: FakeCore, start_pages: Callable[..., Any]
) -> None:
    """The way of a value from core to a screen."""
    fake_core.push(snapshot(1))
    _, address = start_pages(fake_core.data_dir)
    with httpx.Client(base_url=address, timeout=20) as client:
        with client.stream("GET", "/events") as first, client.stream("GET", "/events") as second:
            assert first.headers["content-type"].startswith("text/event-stream")
            streams = [events_of(first), events_of(second)]
            seqs = [[next(stream)[1]["snapshot"]["seq"] for stream in streams]]
            for seq in (2, 3):
                fake_core.push(snapshot(seq))
                seqs.append([next(stream)[1]["snapshot"]["seq"] for stream in streams])
        assert seqs == [[1, 1], [2, 2], [3, 3]]
        assert client.get("/api/live").json()["link"] == "live"


def test_a_phone_that_does_not_read_skips_and_holds_nobody_up(
    fake_core: FakeCore, start_pages: Callable[..., Any], wait_until: Callable[..., None]
) -> None:
    """A phone in a tunnel must not fill the board's memory."""
    fake_core.push(snapshot(1))
    process, address = start_pages(fake_core.data_dir)
    host, port = address.removeprefix("http://").rstrip("/").split(":")
    with socket.socket() as slow, httpx.Client(base_url=address, timeout=20) as client:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        slow.connect((host, int(port)))
        slow.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        wait_until(lambda: client.get("/health.json").json()["clients_count"] == 1, 10)
        last = 6000
        for seq in range(2, last + 1):
            fake_core.push(snapshot(seq))
        wait_until(lambda: client.get("/api/live").json()["snapshot"]["seq"] == last, 30)
        slow.settimeout(20)
        got = b""
        while f'"seq":{last}'.encode() not in got:
            piece = slow.recv(1 << 20)
            assert piece, "let go as a phone out of reach, because this machine was too slow"
            got += piece
        assert 1 < got.count(b"event: snapshot") < last
        assert process.poll() is None


def test_the_33rd_phone_is_told_so_and_a_place_comes_free_again(
    fake_core: FakeCore, start_pages: Callable[..., Any], wait_until: Callable[..., None]
) -> None:
    """The limit is per open screen."""
    fake_core.push(snapshot(1))
    _, address = start_pages(fake_core.data_dir)
    limits = httpx.Limits(max_connections=50)
    with httpx.Client(base_url=address, timeout=20, limits=limits) as client:
        with ExitStack() as stack:
            # kept: a stream whose reader is let go closes its connection
            streams = [events_of(stack.enter_context(client.stream("GET", "/events"))) for _ in range(32)]
            assert {next(stream)[0] for stream in streams} == {"snapshot"}
            with client.stream("GET", "/events") as refused:
                assert refused.status_code == 503
                assert refused.read().count(b"\n") == 1
        wait_until(lambda: client.get("/health.json").json()["clients_count"] == 0, 10)
        with client.stream("GET", "/events") as stream:
            assert stream.status_code == 200


def test_pages_start_before_core_and_say_waiting(
    tmp_path: Path, start_pages: Callable[..., Any], wait_until: Callable[..., None]
) -> None:
    """The order of starting doesn't matter."""
    _, address = start_pages(tmp_path)
    with httpx.Client(base_url=address, timeout=20) as client:
        assert client.get("/api/live").json()["link"] == "waiting"
        with FakeCore(tmp_path) as core:
            core.push(snapshot(9))
            wait_until(lambda: client.get("/api/live").json()["link"] == "live", 20)
        wait_until(lambda: not client.get("/health.json").json()["core_connected"], 10)
        assert client.get("/trips").status_code == 503


@pytest.mark.parametrize("kind", [signal.SIGTERM, signal.SIGINT])
def test_stop_is_clean_and_quick_with_screens_open(
    fake_core: FakeCore, start_pages: Callable[..., Any], kind: signal.Signals
) -> None:
    """The supervisor waits two seconds."""
    fake_core.push(snapshot(1))
    process, address = start_pages(fake_core.data_dir)
    with httpx.Client(base_url=address, timeout=20) as client, ExitStack() as stack:
        for _ in range(3):
            stream = events_of(stack.enter_context(client.stream("GET", "/events")))
            next(stream)
        begin_s = time.monotonic()
        os.kill(process.pid, kind)
        assert process.wait(20) == 0
        # the figure is STOP_LIMIT_S; ten times that is allowed here because other tests share the machine
        assert time.monotonic() - begin_s < 10 * STOP_LIMIT_S
        assert list(stream) == []
    assert process.stdout.read() == ""
    assert process.stderr.read() == ""


def test_garbage_on_the_wire_is_answered_or_closed_and_the_next_request_works(
    tmp_path: Path, start_pages: Callable[..., Any]
) -> None:
    """Port scanners speak to everything."""
    process, address = start_pages(tmp_path)
    host, port = address.removeprefix("http://").rstrip("/").split(":")
    for junk in (
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200),
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"a" * 200_000 + b"\r\n\r\n",
        b"GET /\xff\xfe HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99999999999\r\n\r\n",
        b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\r\n",
    ):
        with socket.create_connection((host, int(port)), timeout=10) as wire:
            wire.sendall(junk)
            wire.shutdown(socket.SHUT_WR)
            try:
                head = wire.recv(4096)
            except ConnectionResetError:
                head = b""
        assert head == b"" or head.startswith(b"HTTP/1.1 "), junk[:40]
        assert b"200" not in head.split(b"\r\n")[0] or b"/events" in junk
    assert httpx.get(address + "/health").status_code == 200
    assert process.poll() is None
