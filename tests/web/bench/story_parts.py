"""A vehicle that drives and a bench that serves, as real processes, for the story of one damper."""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Self

import httpx

from daemon.processes import DEMO, LIMIT_S, wait_until
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from web.access_parts import CODE

CLI = (sys.executable, "-m", "dutylog.cli.main")


def free_port() -> int:
    """Return a port that nobody has at the moment."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port: int = probe.getsockname()[1]
    return port


def run(*words: str, line: str = "") -> str:
    """Run a command to its end and return what it printed."""
    done = subprocess.run([*CLI, *words], input=line, text=True, capture_output=True, timeout=LIMIT_S, check=False)
    assert done.returncode == 0, f"{words}: {done.stderr}"
    return done.stdout


class Process:
    """A command that goes on until it is stopped; its words are in a file."""

    def __init__(self, words: Sequence[str], log: Path) -> None:
        self._log = log
        with log.open("w") as out:
            self._process = subprocess.Popen([*CLI, *words], stdout=out, stderr=subprocess.STDOUT)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, _kind: object, _err: object, _trace: object) -> None:
        self._process.send_signal(signal.SIGTERM)
        try:
            self._process.wait(LIMIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def said(self) -> str:
        """Return all it said so far."""
        return self._log.read_text("utf-8", "replace")


class Vehicle(Process):
    """The simulated vehicle under `dutylog run`, with its pages and a code to sign in by."""

    def __init__(self, folder: Path) -> None:
        self.data = folder / "vehicle"
        self.address = f"http://127.0.0.1:{(port := free_port())}"
        file = folder / "truck.toml"
        base = re.sub(r"^\[web\]\n(?:[a-z].*\n)*", "", DEMO.read_text(encoding="utf-8"), flags=re.MULTILINE)
        charge = base.replace("bore_diameter_mm =", "charge_bar = 13.8\nbore_diameter_mm =")
        file.write_text(f"{charge}\n[web]\nport = {port}\n", encoding="utf-8")
        super().__init__(
            ["run", "--config", str(file), "--data", str(self.data), "--pace", "2"], folder / "vehicle.log"
        )

    def wait_until_driven(self, unit: str) -> None:
        """Return when that damper has strokes in the ledger and somebody can sign in."""
        wait_until(lambda: (self.data / LEDGER_NAME).exists() and self._strokes(unit) > 20, "strokes in the ledger")
        run("access", "set", "--data", str(self.data), line=CODE)
        wait_until(lambda: "access: code set" in self._health(), "the code is in force")

    def lives(self, unit: str) -> dict[str, dict[str, Any]]:
        """Return what `dutylog life show` says of each part of a damper."""
        told = json.loads(run("life", "show", unit, "--data", str(self.data), "--format", "json"))
        return {one["part"]: one for one in told["dampers"][0]["parts"]}

    def ledger(self) -> Ledger:
        """Return its ledger, to read."""
        return Ledger.open(self.data / LEDGER_NAME, read_only=True)

    def _strokes(self, unit: str) -> int:
        try:
            with self.ledger() as ledger:
                found = [one for one in ledger.installed().values() if one.serial == unit]
                return ledger.totals(found[0].unit_id).strokes_count if found else 0
        except Exception:  # noqa: BLE001 - it is being made
            return 0

    def _health(self) -> str:
        try:
            return httpx.get(self.address + "/health", timeout=5.0).text
        except httpx.TransportError:
            return ""


class Shop(Process):
    """A bench set up by its commands and served, with a manager and two technicians."""

    def __init__(self, folder: Path) -> None:
        data = folder / "shop"
        run("bench", "setup", "--data", str(data), "--name", "Shed by the river", "--manager", "Mina", line=CODE + "\n")
        for name in ("Tom", "Ulla"):
            run("bench", "account", "add", name, "--data", str(data), line=CODE + "\n")
        self.address = f"http://127.0.0.1:{(port := free_port())}"
        super().__init__(["bench", "serve", "--data", str(data), "--port", str(port)], folder / "shop.log")
        self.data = data

    def wait_until_served(self) -> None:
        """Return when its pages answer."""

        def answers() -> bool:
            try:
                return httpx.get(self.address + "/sign-in", timeout=5.0).status_code == 200
            except httpx.TransportError:
                return False

        wait_until(answers, "the bench answers")
