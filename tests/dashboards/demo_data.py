"""What the demo vehicle leaves in ledger and raw log after two trips, and the points made of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from daemon.processes import DEMO
from dutylog import config
from dutylog.clock import SystemClock
from dutylog.daemon.core import Core
from dutylog.daemon.core_settings import CoreSettings
from dutylog.engine.engine import Engine
from dutylog.engine.output import Live
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.publish.ledger_now import LedgerNow, read_ledger
from dutylog.publish.line_protocol import stamped
from dutylog.publish.outbox import Draft
from dutylog.publish.points import Moment, PointMaker
from dutylog.recording.reader import LogReader
from dutylog.sim.record import simulate_recording
from dutylog.sim.scenario import built_in_scenario
from dutylog.units import NS_PER_S
from web.samples import damper_now, snapshot

SECONDS = 42
LIVE_S = 10
VEHICLE = "demo"
OTHERS = ("demo2", "a_demo")
"""Vehicles in the same database whose names hold ours."""


@dataclass(frozen=True)
class DemoData:
    """ledgers: after each trip, with the wall time at which it was read [ns]. lives: what core showed, by second."""

    ledgers: tuple[tuple[int, LedgerNow], ...]
    lives: tuple[Live, ...]
    start_utc_ns: int
    lines: tuple[bytes, ...]

    @property
    def ledger(self) -> LedgerNow:
        return self.ledgers[-1][1]


def drive_demo(folder: Path) -> DemoData:
    """Run the demo's scenario through core twice, as two trips, and make points of what it left."""
    vehicle = config.load(DEMO).vehicle
    columns, _ = simulate_recording(vehicle, built_in_scenario("desert"), SECONDS, 1)
    table = pa.table(columns)
    # a multiple of ten seconds, so that each window of live values lies within one of the database's
    start_utc_ns = SystemClock().utc_ns() // (10 * NS_PER_S) * (10 * NS_PER_S) - 1800 * NS_PER_S
    ledgers = []
    for number, part in enumerate((table, table.slice(0, 25_000))):
        file = folder / f"trip{number}.parquet"
        pq.write_table(part, file)
        settings = CoreSettings(vehicle, folder / "data", "recording", file=file, pace=0, exit_at_end=True)
        Core(settings, SystemClock(), lambda _line: None).run()
        _trust_the_clock(folder / "data" / LEDGER_NAME)
        ledger = read_ledger(folder / "data")
        assert ledger is not None
        ledgers.append((start_utc_ns + 300 * (1 + number) * NS_PER_S, ledger))
    engine = Engine(vehicle)
    lives = tuple(live for frame in LogReader(folder / "data" / "log").frames() if (live := engine.feed(frame).live))
    drafts = [*_live_drafts(lives, start_utc_ns), *_ledger_drafts(ledgers)]
    lines = tuple(stamped(draft.payload, draft.utc_ns or 0) for draft in drafts)
    assert all(draft.utc_ns for draft in drafts)
    return DemoData(tuple(ledgers), lives, start_utc_ns, lines)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoData:
    """Return two trips of the demo vehicle, made once a worker."""
    return drive_demo(tmp_path_factory.mktemp("demo"))


def with_others(lines: Sequence[bytes]) -> list[bytes]:
    """Return the lines and the same ones of other vehicles."""
    ours = b",vehicle=" + VEHICLE.encode() + b" "
    assert all(line.count(ours) == 1 for line in lines)
    return [*lines, *(line.replace(ours, b",vehicle=" + name.encode() + b" ") for name in OTHERS for line in lines)]


def _trust_the_clock(path: Path) -> None:
    """Say of each epoch that its wall time is right, as core does once it knows."""
    with Ledger.open(path) as ledger:
        for number in range(1, ledger.last_epoch() + 1):
            epoch = ledger.epoch(number)
            assert epoch is not None
            ledger.put_epoch(replace(epoch, utc_trusted=True))


def _live_drafts(lives: Sequence[Live], start_utc_ns: int) -> list[Draft]:
    maker = PointMaker()
    drafts = []
    for second, live in enumerate(lives):
        dampers = tuple(
            damper_now(d.position, unit_id=d.unit_id, body_c=d.body_c, heat_w=d.heat_w, speed_rms_mps=d.speed_rms_mps)
            for d in live.dampers
        )
        reading = replace(snapshot(second), mono_s=float(second), dampers=dampers)
        reading = replace(reading, vehicle=replace(reading.vehicle, id=VEHICLE))
        drafts += maker.take(reading, Moment("boot", second * NS_PER_S, start_utc_ns + second * NS_PER_S))
    end = Moment("boot", 10**15, None)
    return drafts + maker.close_live(end, is_last=True)


def _ledger_drafts(ledgers: Sequence[tuple[int, LedgerNow]]) -> list[Draft]:
    maker = PointMaker()
    return [d for utc_ns, ledger in ledgers for d in maker.take_ledger(ledger, Moment("boot", utc_ns, utc_ns))]
