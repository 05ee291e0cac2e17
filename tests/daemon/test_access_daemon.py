"""Sign-in through the whole daemon: supervisor, page with TLS, core and ledger."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from daemon.processes import DEMO, LIMIT_S, wait_until
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from web.access_parts import CODE, csrf_in

CLI = (sys.executable, "-m", "dutylog.cli.main")


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """Run a vehicle whose page wants to be on every address, encrypted; give its address on this machine."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    vehicle, data = tmp_path / "truck.toml", tmp_path / "data"
    base = re.sub(r"^\[web\]\n(?:[a-z].*\n)*", "", DEMO.read_text(encoding="utf-8"), flags=re.MULTILINE)
    web = f'\n[web]\nlisten = "0.0.0.0"\nport = {port}\ntls = true\nnames = ["Truck.local"]\n'
    vehicle.write_text(base + web, encoding="utf-8")
    command = [*CLI, "run", "--config", str(vehicle), "--data", str(data), "--pace", "4"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    try:
        yield f"https://127.0.0.1:{port}", data
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.communicate(timeout=LIMIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


@pytest.mark.slow
def test_a_trip_gets_its_name_from_a_signed_in_phone(daemon: tuple[str, Path]) -> None:
    """Code by command, sign-in over TLS, the write through core into the ledger; the supervisor sees the page live."""
    address, data = daemon
    with httpx.Client(base_url=address, verify=False, timeout=20) as client:  # noqa: S501 - its own certificate

        def get(path: str) -> httpx.Response | None:
            try:
                return client.get(path)
            except httpx.TransportError:
                return None

        def text_of(path: str) -> str:
            answer = get(path)
            return answer.text if answer is not None else ""

        wait_until(lambda: "access: no code set" in text_of("/health"), "the page answers")
        done = subprocess.run(
            [*CLI, "access", "set", "--data", str(data)], input=CODE, text=True, check=True, timeout=60
        )
        assert done.returncode == 0
        wait_until(lambda: "access: code set" in text_of("/health"), "the code is in force")
        wait_until(lambda: (answer := get("/api/trips/1")) is not None and answer.status_code == 200, "a trip is open")
        assert client.post("/trips/1/name", data={"name": "Dunes"}).status_code == 401
        wait_until(lambda: signs_in(client), "signed in")
        answer = client.post("/trips/1/name", data={"name": "Dunes", "csrf": csrf_in(client.get("/").text)})
        assert (answer.status_code, answer.headers["location"]) == (303, "/trips/1")
        assert "Dunes" in client.get("/trips/1").text
        wait_until(lambda: re.search(r"processes: .*page running", text_of("/health")), "the supervisor sees it answer")
    with Ledger.open(data / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.trips(10, None)[0].name == "Dunes"


def signs_in(client: httpx.Client) -> bool:
    """Sign in; False while the page opens anew because of the code."""
    try:
        return client.post("/sign-in", data={"name": "Zoë", "code": CODE}).status_code == 303
    except httpx.TransportError:
        return False
