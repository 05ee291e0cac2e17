"""A day without a network, made in seconds: what piled up drains while the database is killed again and again."""

from __future__ import annotations

import random
import time
from dataclasses import replace

import pytest

from dutylog.clock import ManualClock
from dutylog.duty.totals import Totals
from dutylog.ledger.rows import UnitDuty
from dutylog.publish.duty_fields import life_fields
from dutylog.publish.influx import InfluxServer
from dutylog.publish.influx_output import NAME, InfluxOutput
from dutylog.publish.ledger_now import LedgerNow
from dutylog.publish.outbox import Outbox
from dutylog.publish.points import Moment, PointMaker
from dutylog.units import NS_PER_S
from publish.influx_servers import ORG, TOKEN
from web.samples import POSITIONS, damper_now, snapshot

DAY_S = 86_400


def pile_up(outbox, seconds, start_utc_ns, chance):
    """Put what a vehicle under way leaves; nothing is dated before the end. Returns (points, last ledger)."""
    maker, totals, count = PointMaker(), [Totals() for _ in POSITIONS], 0
    for second in range(seconds):
        moment = Moment("boot", second * NS_PER_S, None)
        dampers = tuple(
            damper_now(p, unit_id=f"unit-{p}", body_c=60.0 + chance.randrange(400) / 8, heat_w=chance.random() * 1500)
            for p in POSITIONS
        )
        drafts = maker.take(replace(snapshot(second), mono_s=float(second), dampers=dampers), moment)
        for one in totals:
            one.energy_compression_uj += chance.randrange(10**9)
            one.strokes_count += 9
        if second % 10 == 0 or second == seconds - 1:
            units = [
                UnitDuty(f"unit-{p}", p, p, p, 1, second, t.copy()) for p, t in zip(POSITIONS, totals, strict=True)
            ]
            is_last = second == seconds - 1
            ledger = LedgerNow("demo_truck", tuple(units), ())
            drafts += maker.take_ledger(ledger, moment, is_last) + (maker.close_live(moment, True) if is_last else [])
            outbox.put(NAME, drafts)
            count += len(drafts)
        else:
            assert drafts == [] or outbox.put(NAME, drafts) is None
            count += len(drafts)
    assert outbox.counts(NAME).waiting_count == count
    outbox.date("boot", start_utc_ns)
    return count, ledger


def drain_with_kills(real, outbox, database, kills, chance):
    """Drain; the database or its front door is killed at random turns. Returns how often a send failed."""
    turns = outbox.counts(NAME).waiting_count // 500
    when = set(chance.sample(range(1, max(turns, kills + 2)), kills))
    turn, failed, fired = 0, 0, 0
    with InfluxServer(real.url, ORG, database, TOKEN) as server:
        output = InfluxOutput(server, outbox, ManualClock(), chance=chance)
        while outbox.counts(NAME).waiting_count:
            turn += 1
            if turn in when:
                chance.choice([real.kill_database, real.stop_front])()
                fired += 1
            output.turn()
            if output.health().problem:
                failed += 1
                real.stop()
                real.start()
    assert fired == kills
    return failed


@pytest.mark.parametrize(
    ("seconds", "kills"), [(3600, 3), pytest.param(DAY_S, 40, marks=pytest.mark.slow)], ids=["hour", "day"]
)
def test_after_an_outage_the_database_holds_every_point_once(real_influx, database, tmp_path, seconds, kills):
    """Counts of each series, and the last totals equal the ledger's to the bit."""
    chance = random.Random(seconds)
    start_utc_ns = time.time_ns() - (seconds + 60) * NS_PER_S
    outbox = Outbox(tmp_path / "outbox.sqlite")
    count, ledger = pile_up(outbox, seconds, start_utc_ns, chance)
    failed = drain_with_kills(real_influx, outbox, database, kills, chance)
    assert failed >= kills
    counts = outbox.counts(NAME)
    outbox.close()
    assert (counts.acked, counts.rejected, counts.dropped_count) == (count, 0, 0)
    stored = {
        name: sum(rows["values"][0][1] for rows in real_influx.query(f"SELECT count({field}) FROM {name}", database))
        for name, field in (("live", "samples_count"), ("duty", "seq"))
    }
    assert sum(stored.values()) == count
    assert stored["live"] == 4 * (seconds // 10)
    for unit in ledger.units:
        series = real_influx.query(f"SELECT * FROM duty WHERE \"unit\" = '{unit.unit_id}'", database)[0]
        times = [row[0] for row in series["values"]]
        assert len(set(times)) == len(times)
        last = dict(zip(series["columns"], series["values"][-1], strict=True))
        expected = {name: value for name, value in life_fields(unit.totals).items() if value is not None}
        assert {name: last[name] for name in expected} == expected
        assert last["seq"] == unit.sequence
