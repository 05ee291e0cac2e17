"""The vehicle's key at the first start of the whole daemon, and a card of a damper that is driven just then."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.card_made import open_card
from daemon.processes import DEMO, LIMIT_S, wait_until
from dutylog.bench.card_make import issue_card
from dutylog.bench.card_verify import Seen, verify
from dutylog.bench.keys import CARD_KEY_FILE, read_key
from dutylog.ledger.ledger import LEDGER_NAME, Ledger

CLI = (sys.executable, "-m", "dutylog.cli.main")


class Run:
    """One `dutylog run` of the simulated vehicle, without a page."""

    def __init__(self, folder: Path) -> None:
        self.data = folder / "data"
        command = [*CLI, "run", "--config", str(DEMO), "--data", str(self.data), "--pace", "8", "--no-page"]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)

    def stop(self) -> str:
        """End it as the ignition does; return what it said."""
        self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.communicate(timeout=LIMIT_S)[1]
        finally:
            self.process.kill()

    def strokes(self) -> int:
        try:
            with Ledger.open(self.data / LEDGER_NAME, read_only=True) as ledger:
                return sum(one.strokes_count for one in ledger.all_totals().values())
        except Exception:  # noqa: BLE001 - it is being made
            return 0

    def core_pid(self) -> int:
        return int((self.data / "lock").read_text())

    def children(self) -> list[str]:
        pid = self.process.pid
        pids = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        return [Path(f"/proc/{one}/cmdline").read_text().replace("\0", " ") for one in pids]


@pytest.fixture
def runs(tmp_path: Path) -> Iterator[list[Run]]:
    """Give a list whose daemons are surely gone in the end."""
    started = [Run(tmp_path)]
    yield started
    for one in started:
        if one.process.poll() is None:
            one.stop()


def test_the_key_is_there_before_the_first_card_and_a_driven_damper_has_one(runs: list[Run], tmp_path: Path) -> None:
    """Made beside core, which never loads what signs; the card goes through core's socket while it counts."""
    run = runs[0]
    wait_until(lambda: (run.data / CARD_KEY_FILE).exists(), "a key at the first start")
    key = read_key(run.data / CARD_KEY_FILE)
    assert key is not None
    wait_until(lambda: not any("card_key" in one for one in run.children()), "the errand is over and buried")
    wait_until(lambda: run.strokes() > 30, "strokes in the ledger")
    with Ledger.open(run.data / LEDGER_NAME, read_only=True) as ledger:
        unit = next(iter(ledger.installed().values()))
    first, second = (issue_card(run.data, unit.label, by) for by in ("Ada", "Bo"))
    maps = Path(f"/proc/{run.core_pid()}/maps").read_text()
    assert "cryptography" not in maps
    assert "libpython" in maps or "python" in maps
    for number, card in enumerate((first, second), start=1):
        assert verify(open_card(card), Seen()).is_accepted
        assert (card["issued"]["sequence"], card["signature"]["key_id"]) == (number, key.key_id)
    assert second["totals"]["measured_us"] >= first["totals"]["measured_us"] > 0
    last = second["evidence"]["entries"][-1]
    assert json.loads(last["data"])["by"] == "Bo"
    said = run.stop()
    assert "Traceback" not in said
    with Ledger.open(run.data / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.verify_chain() is None
        totals = ledger.totals(unit.unit_id)
        # Core's own entry, in its place of the log.
        entry = ledger.entries_of("card_issued")[-1]
    assert totals.measured_us >= second["totals"]["measured_us"]
    assert (entry.hash.hex(), entry.sequence is not None) == (last["hash"], True)
    # The next start finds the key as it was left, says one line about it, and counts on all the same.
    bytes_of_key = (run.data / CARD_KEY_FILE).read_bytes()
    (run.data / CARD_KEY_FILE).chmod(0o644)
    before, again = run.strokes(), Run(tmp_path)
    runs.append(again)
    wait_until(lambda: again.strokes() > before, "it goes on")
    wait_until(lambda: not any("card_key" in one for one in again.children()), "the errand is over")
    said = again.stop()
    assert said.count("others can get at it") == 1
    assert "Traceback" not in said
    assert (run.data / CARD_KEY_FILE).read_bytes() == bytes_of_key
