"""Data folders with driven trips, read again as a review does, for the tests of what is found in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daemon.counted import FULL, SLOW, STREAM, CountsSource, Truck
from dutylog.ledger.trip_book import TripBook
from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.source import Batch
from dutylog.review.analysis import analyse
from dutylog.review.trip_data import COUNTS

GPS = Stream(3, "gps", "f8", 10**15, (Channel("", "latitude", "deg"), Channel("", "longitude", "deg")))
GRACE_S = 60.0


class RoughSource(CountsSource):
    """As CountsSource, with a receiver, and with strokes that meet the ends of travel every twentieth second."""

    streams = (STREAM, SLOW, GPS)

    def read_batch(self):
        second = self._second
        batch = super().read_batch()
        if batch is None:
            return None
        t0_ns = (self._begin_s + second) * 10**9
        place = np.array([[32.0 + second * 1e-4, -115.0]])
        return Batch((*batch.blocks, Block(GPS, self._epoch, second, t0_ns, GPS.period_fs, place)))

    def rows(self, second, is_rest):
        rows = super().rows(second, is_rest)
        if second % 20 == 7 and not is_rest:
            # From nothing to all of the stroke, 250 mm of 254, and back, smoothly, on the first two dampers.
            wave = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(1000) / 500)
            full = 253.0 / 300.0 * FULL
            rows[:, :2] = np.rint(full * wave)[:, None]
        return rows


class GraceTruck(Truck):
    """A vehicle whose trips end after a minute of rest."""

    def settings(self):
        return replace(super().settings(), grace_s=GRACE_S)


@pytest.fixture
def truck(tmp_path, monkeypatch):
    """Segments of a minute: most trips begin in the midst of the log."""
    monkeypatch.setattr("dutylog.recording.logbook.SEGMENT_SPAN_NS", 60 * 10**9)
    return GraceTruck(tmp_path / "data", monkeypatch)


def review(truck, key, **options):
    """Return a trip's data and the trip as the ledger has it."""
    with truck.ledger() as ledger:
        trip = TripBook(ledger).trip(key)
        return analyse(truck.data, ledger, trip, **{"grace_s": GRACE_S, **options}), trip


def check_sums(data, trip):
    """Every row's gains together are the ledger's shares, as whole numbers; and so is the way driven."""
    assert data.notes == ()
    assert data.is_raw_whole
    shares = {(one.unit_id, one.position): one.totals for one in trip.dampers}
    assert {(one.unit_id, one.position) for one in data.dampers} == set(shares)
    for damper in data.dampers:
        totals = shares[damper.unit_id, damper.position]
        assert {name: int(getattr(damper, name).sum()) for name in COUNTS} == {n: getattr(totals, n) for n in COUNTS}
        assert damper.totals == totals
        assert int(damper.energy_by_speed_uj.sum()) == totals.energy_uj
        assert int(damper.time_by_speed_ns.sum()) == int(damper.time_by_position_ns.sum())
        if not any(fault.position == damper.position for fault in data.faults):
            # A stuck sensor's first second is measured or not as a whole, its samples one by one.
            assert int(damper.time_by_speed_ns.sum()) == totals.measured_us * 1000
        assert int(damper.strokes_by_length_frequency.sum()) == totals.strokes_count
    assert data.distance_m[-1] == trip.distance_m
    assert int(np.round(data.dt_s[data.moving].sum() * 1e6)) == trip.moving_us
