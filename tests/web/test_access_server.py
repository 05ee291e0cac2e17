"""Access on the real page process: where it listens, signing in, and clients that mean no good."""

from __future__ import annotations

import re
import resource
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest

from dutylog.web.access_code import clear_code, write_code
from dutylog.web.connections import HEAD_S, MOST_CONNECTIONS
from web.access_parts import CODE, AnsweringCore, csrf_in, quick_code
from web.conftest import PAGES, end_process

LOOPBACK, ANY = "0100007F", "00000000"


def listening_on(port: int) -> set[str]:
    """Return the IPv4 addresses on which a port listens, as /proc/net/tcp writes them. Source: proc(5)."""
    rows = [line.split() for line in Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()[1:]]
    return {row[1].split(":")[0] for row in rows if row[3] == "0A" and int(row[1].split(":")[1], 16) == port}


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        number: int = probe.getsockname()[1]
    return number


def resident_bytes(pid: int) -> int:
    words = Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()
    return int(words[1]) * resource.getpagesize()


@pytest.fixture
def start_listening(tmp_path: Path) -> Iterator[Callable[..., tuple[subprocess.Popen[str], int]]]:
    """Give a function that starts the server on its own socket and waits until it is ready."""
    with ExitStack() as stack:

        def start(*more: str) -> tuple[subprocess.Popen[str], int]:
            port = free_port()
            process = subprocess.Popen(
                [*PAGES, "--data", str(tmp_path), "--port", str(port), *more],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            stack.callback(end_process, process)
            assert process.stdout is not None
            assert process.stdout.readline().startswith("pages ready: http")
            return process, port

        yield start


def test_other_machines_are_let_in_when_a_code_is_set_and_out_when_it_is_cleared(
    tmp_path: Path, start_listening: Callable[..., Any], wait_until: Callable[..., None]
) -> None:
    """No restart by hand, in either direction; this machine sees the pages all the time."""
    process, port = start_listening("--listen", "0.0.0.0")  # noqa: S104
    assert listening_on(port) == {LOOPBACK}
    write_code(tmp_path, quick_code())
    wait_until(lambda: listening_on(port) == {ANY}, 30, "opened")
    assert httpx.get(f"http://127.0.0.1:{port}/health", timeout=20).status_code == 200
    clear_code(tmp_path)
    wait_until(lambda: listening_on(port) == {LOOPBACK}, 30, "closed")
    wait_until(lambda: answers(port), 20, "answers again")
    process.terminate()
    assert process.wait(20) == 0
    said = process.stderr.read().splitlines()
    assert len(said) == 2 + sum("everybody is signed out" in line for line in said)
    told = [line for line in said if "not opened to other machines" in line]
    assert len(told) == 2
    for line in told:
        assert re.search(r"web\.listen 0\.0\.0\.0: .* dutylog access set; until then .* 127\.0\.0\.1 alone", line)


def answers(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/health", timeout=20).status_code == 200
    except httpx.TransportError:
        return False


def test_a_stop_just_as_it_opens_anew_is_not_lost(
    tmp_path: Path, start_listening: Callable[..., Any], wait_until: Callable[..., None]
) -> None:
    """The signal may come between two servers."""
    process, port = start_listening("--listen", "0.0.0.0")  # noqa: S104
    write_code(tmp_path, quick_code())
    wait_until(lambda: listening_on(port) != {LOOPBACK}, 30, "closing")
    process.terminate()
    assert process.wait(20) == 0


def test_an_address_that_is_not_ours_is_one_line_and_status_2(tmp_path: Path) -> None:
    """With a code it would be opened, and can't."""
    write_code(tmp_path, quick_code())
    command = [*PAGES, "--data", str(tmp_path), "--listen", "203.0.113.7", "--port", str(free_port())]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert "203.0.113.7" in done.stderr


def test_sign_in_write_and_sign_out_on_the_real_server(tmp_path: Path, start_pages: Callable[..., Any]) -> None:
    """The whole way over a socket, cookies included."""
    write_code(tmp_path, quick_code())
    process, address = start_pages(tmp_path)
    with (
        httpx.Client(base_url=address, timeout=20) as client,
        AnsweringCore(tmp_path, {"ok": True, "text": "done"}) as core,
    ):
        answer = client.post("/sign-in", data={"name": "Zoë", "code": CODE}, headers={"Origin": address})
        assert answer.status_code == 303
        csrf = csrf_in(client.get("/").text)
        answer = client.post("/alerts/a-1/acknowledge", headers={"X-CSRF": csrf, "Origin": address})
        assert (answer.status_code, answer.json()["text"]) == (200, "done")
        assert client.post("/sign-out", data={"csrf": csrf}).status_code == 303
        assert client.post("/alerts/a-1/acknowledge", headers={"X-CSRF": csrf}).status_code == 401
    assert [request["by"] for request in core.asked] == ["Zoë"]
    process.terminate()
    assert process.wait(20) == 0
    assert process.stderr.read() == "dutylog pages: sign-in from 127.0.0.1: Zoë\n"


def test_wrong_codes_from_many_threads_leave_the_process_as_it_was(
    tmp_path: Path, start_pages: Callable[..., Any]
) -> None:
    """Hundreds at once: no growth, viewers are served, and few lines in the log."""
    write_code(tmp_path, quick_code())
    process, address = start_pages(tmp_path)

    def hammer(count: int) -> None:
        with httpx.Client(base_url=address, timeout=60) as client:
            for n in range(count):
                answer = client.post(
                    "/sign-in", json={"name": "x", "code": f"{n}"}, headers={"Accept": "application/json"}
                )
                assert answer.status_code in (401, 429, 503)

    hammer(100)
    before = resident_bytes(process.pid)
    threads = [threading.Thread(target=hammer, args=(60,)) for _ in range(8)]
    for thread in threads:
        thread.start()
    with httpx.Client(base_url=address, timeout=60) as client:
        assert client.get("/health").status_code == 200
    for thread in threads:
        thread.join()
    # 8 MiB: what the interpreter's own pools move by; what each try left behind would show
    assert resident_bytes(process.pid) - before < 8 * 2**20
    access = httpx.get(address + "/health.json", timeout=20).json()["access"]
    # the twelfth would come after 2 + 4 + 8 + ... = 510 s of waiting
    assert 4 <= access["wrong_count"] < 12
    assert access["wrong_count"] + access["held_count"] == 100 + 8 * 60
    process.terminate()
    process.wait(20)
    assert process.stderr.read().count("wrong code") == access["wrong_count"]


@pytest.mark.slow  # waits out a limit of 20 s
def test_unfinished_heads_are_hung_up_on(tmp_path: Path, start_pages: Callable[..., Any]) -> None:
    """A head sent a byte now and then would hold its place for ever; between requests on one line too."""
    _, address = start_pages(tmp_path)
    host, port = address.removeprefix("http://").split(":")
    full = b"GET /favicon.ico HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    with ExitStack() as stack:
        slow = []
        for start in (b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: ", full + b"GET /", b"\r\n"):
            wire = stack.enter_context(socket.create_connection((host, int(port)), timeout=10 * HEAD_S))
            wire.sendall(start)
            slow.append(wire)
        for wire in slow:
            assert read_to_end(wire) is not None
    assert httpx.get(address + "/health", timeout=20).status_code == 200


def read_to_end(wire: socket.socket) -> bytes:
    """Return all that comes until the other side ends the line, in whatever way; a time-out fails the test."""
    got = b""
    try:
        while piece := wire.recv(65_536):
            got += piece
    except ConnectionResetError:
        pass
    return got


def test_a_slow_body_is_answered_and_hung_up_on(tmp_path: Path, start_pages: Callable[..., Any]) -> None:
    write_code(tmp_path, quick_code())
    _, address = start_pages(tmp_path)
    host, port = address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=200) as wire:
        wire.sendall(
            b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n"
            b"Content-Type: application/x-www-form-urlencoded\r\n\r\nname=a"
        )
        assert read_to_end(wire).startswith(b"HTTP/1.1 408 ")


def test_a_huge_body_is_refused_before_it_is_sent(tmp_path: Path, start_pages: Callable[..., Any]) -> None:
    write_code(tmp_path, quick_code())
    process, address = start_pages(tmp_path)
    host, port = address.removeprefix("http://").split(":")
    before = resident_bytes(process.pid)
    for head in (b"Content-Length: 99999999999", b"Transfer-Encoding: chunked"):
        with socket.create_connection((host, int(port)), timeout=60) as wire:
            wire.sendall(
                b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n" + head + b"\r\n\r\n"
            )
            try:
                for _ in range(2000):
                    wire.sendall((b"10000\r\n" if b"chunked" in head else b"") + b" " * 65_536 + b"\r\n")
            except (BrokenPipeError, ConnectionResetError):
                pass
            else:
                raise AssertionError("130 MB were taken")
    assert resident_bytes(process.pid) - before < 8 * 2**20
    assert httpx.get(address + "/health", timeout=20).status_code == 200


def count_files(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def test_a_flood_of_heads_and_of_lines_is_bounded(
    tmp_path: Path, start_pages: Callable[..., Any], wait_until: Callable[..., None]
) -> None:
    """More lines than places: the ones too many are hung up on, the process goes on."""
    process, address = start_pages(tmp_path)
    host, port = address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=60) as wire:
        wire.sendall(
            b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" + b"".join(b"X-%d: %d\r\n" % (n, n) for n in range(20_000))
        )
        assert read_to_end(wire)[:12] in (b"HTTP/1.1 400", b"")
    held_before = count_files(process.pid)
    with ExitStack() as stack:
        for _ in range(MOST_CONNECTIONS + 60):
            wire = stack.enter_context(socket.create_connection((host, int(port)), timeout=60))
            wire.sendall(b"GET / HTTP/1.1\r\n")
        # All are accepted before the first ones too many are hung up on; on a busy machine that takes a moment.
        wait_until(lambda: count_files(process.pid) <= held_before + MOST_CONNECTIONS, 15, "those too many are gone")
    # The places of those that are gone come free one after the other.
    wait_until(lambda: answers(int(port)), 60, "the page answers again")
    assert process.poll() is None


TLS_READY = re.compile(r"pages ready: (https://127\.0\.0\.1:\d+)/\n")


@pytest.fixture
def tls_pages(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], str, ssl.SSLContext]]:
    """Give a process that serves with TLS on an inherited socket, and what trusts its certificate."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        process = subprocess.Popen(
            [*PAGES, "--data", str(tmp_path), "--tls", "--fd", str(listener.fileno())],
            pass_fds=[listener.fileno()],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
    try:
        assert process.stdout is not None
        found = TLS_READY.fullmatch(process.stdout.readline())
        assert found
        yield process, found[1], trusting(tmp_path)
    finally:
        end_process(process)


def trusting(data_dir: Path) -> ssl.SSLContext:
    """Return a client's context that trusts the certificate of a data folder and nothing else."""
    pem = (data_dir / "page.pem").read_text(encoding="ascii")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(cadata=pem[pem.index("-----BEGIN CERTIFICATE-----") :])
    return context


def test_tls_over_an_inherited_socket_is_verified_by_its_certificate(
    tmp_path: Path, tls_pages: tuple[subprocess.Popen[str], str, ssl.SSLContext]
) -> None:
    """Name, address and time in it fit; sign-in sets the cookie that only TLS carries."""
    process, address, context = tls_pages
    write_code(tmp_path, quick_code())
    with httpx.Client(base_url=address, verify=context, timeout=20) as client:
        assert client.get("/health").status_code == 200
        answer = client.post("/sign-in", data={"name": "A", "code": CODE}, headers={"Origin": address})
        assert answer.headers["set-cookie"].startswith("__Host-dutylog=")
        assert 'name="csrf"' in client.get("/").text
    port = address.rsplit(":", 1)[1]
    assert httpx.get(f"https://localhost:{port}/health", verify=context, timeout=20).status_code == 200
    process.terminate()
    assert process.wait(20) == 0
    first, *rest = process.stderr.read().splitlines()
    assert re.fullmatch(r"dutylog pages: certificate of the pages: SHA-256 [0-9A-F]{2}(:[0-9A-F]{2}){31}", first)
    assert rest == ["dutylog pages: sign-in from 127.0.0.1: A"]


@pytest.mark.parametrize(
    ("sent", "begins"),
    [
        (
            b"GET /trips/3?x=1 HTTP/1.1\r\nHost: 127.0.0.1:77\r\n\r\n",
            b"HTTP/1.1 307 Temporary Redirect\r\nLocation: https://127.0.0.1:77/trips/3?x=1\r\n",
        ),
        (b"GET / HTTP/1.1\r\nHost: a b\r\n\r\n", b"HTTP/1.1 400 "),
        (b"GET http://evil.example/ HTTP/1.1\r\nHost: x\r\n\r\n", b"HTTP/1.1 400 "),
        (b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nname=a&code=b", b"HTTP/1.1 400 "),
        (b"GET /", b"HTTP/1.1 400 "),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(300), b""),
        (b"\x00" * 4000, b""),
        (b"", b""),
    ],
)
def test_plain_http_on_the_tls_port_is_told_where_to_go(
    tls_pages: tuple[subprocess.Popen[str], str, ssl.SSLContext], sent: bytes, begins: bytes
) -> None:
    """People type the address without https; scanners send anything. Nothing secret is repeated."""
    process, address, context = tls_pages
    with socket.create_connection(("127.0.0.1", int(address.rsplit(":", 1)[1])), timeout=150) as wire:
        wire.sendall(sent)
        wire.shutdown(socket.SHUT_WR)
        got = read_to_end(wire)
    if begins:
        assert got.startswith(begins)
        assert b"open https://" in got
        assert b"code=b" not in got
    else:
        assert not got.startswith(b"HTTP/")
    assert process.poll() is None
    assert httpx.get(address + "/health", verify=context, timeout=20).status_code == 200


def test_another_certificate_is_taken_up_without_a_restart(
    tmp_path: Path,
    tls_pages: tuple[subprocess.Popen[str], str, ssl.SSLContext],
    wait_until: Callable[..., None],
) -> None:
    """`dutylog access certificate --new`, or a renewal."""
    from dutylog.web.tls import settle_certificate

    _, address, before = tls_pages
    settle_certificate(tmp_path, (), 10**18, anew=True)

    def takes(context: ssl.SSLContext) -> bool:
        try:
            return httpx.get(address + "/health", verify=context, timeout=20).status_code == 200
        except httpx.TransportError:
            return False

    wait_until(lambda: takes(trusting(tmp_path)), 30, "the new certificate")
    assert not takes(before)
