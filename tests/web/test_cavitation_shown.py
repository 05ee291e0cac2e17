"""A trip beyond the cavitation margin says so on its page, in its JSON and on the command line; others don't."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner

from dutylog.cli.main import dutylog
from dutylog.clock import ManualClock
from dutylog.duty.totals import Totals
from dutylog.engine.output import TripDamper, TripRow
from dutylog.ledger.rows import Commit, Epoch
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.settings import WebSettings
from ledger.builders import POSITIONS, STAMP, fill, open_ledger

pytestmark = pytest.mark.anyio
WORDS = "Beyond cavitation margin"


@pytest.fixture
def data_dir(tmp_path: Path) -> Path:
    """Two trips: in the first the front left was 7.5 s beyond its margin, in the second nobody was."""
    calm = Totals(energy_compression_uj=40_000_000, moving_us=9_000_000, moving_measured_us=9_000_000)
    hard = replace(calm, cavitation_us=7_500_000, cavitation_energy_uj=12_000_000)
    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        ledger.put_epoch(Epoch(1, "simulated", "x", "boot-a", 0, STAMP.utc_ns, True))
        trips = []
        for tile, first in ((0, hard), (500, calm)):
            shares = [TripDamper(u, p, calm) for u, p in zip(ids, POSITIONS, strict=True)]
            shares[0] = TripDamper(ids[0], POSITIONS[0], first)
            trips.append(TripRow(1, tile, tile * 10**9, (tile + 90) * 10**9, False, 9_000_000, 1.0, tuple(shares)))
        ledger.commit(Commit(9, "1", {ids[0]: hard}, trips=tuple(trips)))
        assert ledger.totals(ids[0]) == hard
    return tmp_path


async def get(data_dir: Path, path: str) -> httpx.Response:
    app = create_app(LiveFeed(ManualClock()), SqliteLedgerView(data_dir), WebSettings())
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1:8321") as client:
        return await client.get(path)


async def test_page_says_it_only_where_it_was(data_dir: Path) -> None:
    hard, calm = [(await get(data_dir, f"/trips/{number}")).text for number in (1, 2)]
    assert WORDS in hard
    assert "can't make the force of its curve" in hard
    assert WORDS not in calm
    assert "can't make the force of its curve" not in calm


async def test_json_has_the_figures(data_dir: Path) -> None:
    dampers = (await get(data_dir, "/api/trips/1")).json()["dampers"]
    assert [(d["cavitation_s"], d["cavitation_energy_j"]) for d in dampers] == [(7.5, 12.0), *[(0.0, 0.0)] * 3]


def test_command_line_says_it_only_where_it_was(data_dir: Path) -> None:
    def show(number: int, *more: str) -> str:
        result = CliRunner().invoke(dutylog, ["trip", "show", str(number), "--data", str(data_dir), *more])
        assert result.exit_code == 0, result.output
        return result.output

    assert "front_left: 7.5 s beyond the cavitation margin; energy MJ 0.000 of its heat is uncertain" in show(1)
    assert "cavitation" not in show(2)
    damper = json.loads(show(1, "--format", "json"))["dampers"][0]
    assert (damper["cavitation_s"], damper["cavitation_energy_j"]) == (7.5, 12.0)
