"""Alerts on the pages: with their trip, and counted on /health."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

import pytest

from dutylog.engine.output import TripDamper
from dutylog.ledger.rows import Acknowledged, AlertRow, Commit, Stamp
from dutylog.publish.snapshot import encode_snapshot
from dutylog.web.ledger_view import SqliteLedgerView
from ledger.builders import POSITIONS, STAMP, open_ledger
from publish.samples import alert_now
from web.samples import HOSTILE, snapshot, trip_alert
from web.test_ledger_view import data_dir, totals, trip_row
from web.test_routes import Pages, pages

__all__ = ["data_dir", "pages"]
S = 10**9


@pytest.mark.anyio
async def test_a_trip_shows_its_alerts_with_state_time_and_name(pages: Pages) -> None:
    """What was the matter that day, and did anybody notice."""
    still = trip_alert(
        state="raised", level="advice", text=HOSTILE, raised_utc_s=None, lasted_s=None, acknowledged_by=None,
        acknowledged_utc_s=None,
    )  # fmt: skip
    alerts = (trip_alert(), still, trip_alert(acknowledged_by=HOSTILE, utc_trusted=False))
    pages.view.trip_details[1] = replace(pages.view.trip_details[1], alerts=alerts)
    text = (await pages.get("/trips/1")).text
    assert "Act now" in text
    assert "body over its limit of 120 °C" in text
    assert "lasted " in text
    assert 'seen by <span dir="auto">Ana</span>' in text
    assert "acknowledged by nobody" in text
    assert "time unknown" in text
    assert "(clock unchecked)" in text
    assert text.count('<em class="tag">over</em>') == 2
    assert text.count('<em class="tag">open</em>') == 1
    assert HOSTILE not in text
    told = (await pages.get("/api/trips/1")).json()["alerts"]
    assert told[0] == asdict(trip_alert())
    assert [one["state"] for one in told] == ["cleared", "raised", "cleared"]


@pytest.mark.anyio
async def test_a_trip_without_alerts_says_nothing_of_them(pages: Pages) -> None:
    assert "Alerts" not in (await pages.get("/trips/1")).text
    assert (await pages.get("/api/trips/1")).json()["alerts"] == []


@pytest.mark.anyio
async def test_health_counts_open_alerts(pages: Pages) -> None:
    assert "alerts: unknown\n" in (await pages.get("/health")).text
    seen = alert_now("b", acknowledged_by="Ana")
    pages.feed.accept_line(
        encode_snapshot(snapshot(alerts=(alert_now("a"), seen, alert_now("c", state="cleared")))).rstrip(b"\n")
    )
    assert "alerts: 2 open, 1 acknowledged\n" in (await pages.get("/health")).text
    assert (await pages.get("/health.json")).json()["alerts"] == {"open_count": 2, "acknowledged_count": 1}


def test_the_ledger_gives_a_trip_its_own_alerts_with_their_times(data_dir: Path) -> None:
    row = AlertRow(
        "a", "bottomed", "front_left", None, "advice", "front left: 3 bottom-outs", "slower", (1, 40 * S), (1, 500)
    )
    told = Acknowledged("Ana", Stamp(STAMP.utc_ns + 50 * S, True, 60 * S, "boot-a"))
    rows = (
        replace(row, cleared=(1, 45 * S), acknowledged=told),
        replace(row, alert_id="b", raised=(7, 5 * S)),
        replace(row, alert_id="c", trip=(1, 0)),
        replace(row, alert_id="d", trip=None),
    )
    with open_ledger(data_dir) as ledger:
        ids = [unit.unit_id for unit in ledger.units()]
        trip = trip_row(500, [TripDamper(ids[0], POSITIONS[0], totals(1))], is_open=True)
        ledger.commit(Commit(10, "1", {}, trips=(trip,), alerts=rows))
    detail = SqliteLedgerView(data_dir).trip(2)
    assert detail is not None
    first, second = detail.alerts
    assert (first.id, first.state, first.lasted_s, first.acknowledged_by) == ("a", "cleared", 5.0, "Ana")
    assert (first.raised_utc_s, first.utc_trusted) == (STAMP.utc_ns / S + 30.0, True)
    assert (first.acknowledged_utc_s, first.acknowledged_utc_trusted) == (STAMP.utc_ns / S + 50.0, True)
    assert (second.id, second.state, second.raised_utc_s, second.lasted_s) == ("b", "raised", None, None)
    older = SqliteLedgerView(data_dir).trip(1)
    assert older is not None
    assert [alert.id for alert in older.alerts] == ["c"]
