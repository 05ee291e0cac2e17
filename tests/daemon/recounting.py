"""Ledgers, logs and corrections for the tests of a recount."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from daemon.counted import (
    Truck,
    make_vehicle,
)
from dutylog.cli.main import main
from dutylog.engine.engine import Engine, is_named
from dutylog.ledger.corrections import Calibrated, CorrectedLog
from dutylog.ledger.ledger import LEDGER_NAME
from dutylog.recording.reader import LogReader

CHILD = Path(__file__).with_name("recount_child.py")
TABLES = ("meta", "unit", "install", "hot", "cold", "cursor", "checkpoint", "minute", "trip", "trip_damper", "entry")
S_NS = 10**9
MINUTE_UTC = 7
"""Column of `minute` with the wall time it was given when the clock was trusted."""


@pytest.fixture
def truck(tmp_path, monkeypatch):
    """Four linear dampers whose sensors give counts."""
    return Truck(tmp_path / "data", monkeypatch)


def run(truck, *options):
    return main(["ledger", "recount", *options, "--data", str(truck.data)])


def refuse(truck, capsys, *options):
    """Return the one line of a command that ends with 2 and changes nothing."""
    before = contents(truck)
    capsys.readouterr()
    assert run(truck, *options) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert contents(truck) == before
    return err


def contents(truck):
    return {name: truck.table(name) for name in TABLES}


def rows_of(truck, table, unit_id, *, others=False):
    """The rows of a damper, or of all others, in a table that has unit_key."""
    connection = sqlite3.connect(truck.data / LEDGER_NAME)
    sign = "<>" if others else "="
    sql = f"SELECT * FROM {table} WHERE unit_key {sign} (SELECT unit_key FROM unit WHERE unit_id = ?) ORDER BY 1"
    rows = connection.execute(sql, (unit_id,)).fetchall()
    connection.close()
    return rows


def share_of(trip, unit_id):
    (share,) = (share for share in trip.dampers if share.unit_id == unit_id)
    return share


def differing(truck):
    """Return the units whose totals or accumulators aren't those of a count of the log with what was corrected."""
    with truck.ledger() as ledger:
        log = CorrectedLog.of_ledger(ledger)
    engine = None
    for frame in LogReader(truck.data / "log").frames():
        for one in log.take(frame):
            engine = engine or Engine(make_vehicle())
            engine.feed(one, more=True)
    engine.work_off()
    totals, duties = truck.totals(), truck.duties()
    assert totals.keys() == {unit for unit in engine.totals() if is_named(unit)}
    return [
        unit
        for unit, duty in engine.duties().items()
        if is_named(unit) and (totals[unit] != duty.totals() or duties[unit] != duty.to_dict())
    ]


def calibrated(entry, sequence, value, *, is_remounted=False, corrects=False):
    return Calibrated(entry, sequence, "front_left", "travel", value, is_remounted, corrects)
