"""The pages' answers from a real ledger file."""

from __future__ import annotations

from pathlib import Path

import pytest

from dutylog.duty.totals import Totals
from dutylog.engine.output import TripDamper, TripRow
from dutylog.errors import LedgerError
from dutylog.ledger.rows import Commit, Epoch
from dutylog.web.ledger_view import SqliteLedgerView
from ledger.builders import POSITIONS, STAMP, fill, open_ledger

HOUR_US = 3_600_000_000


def totals(energy_uj: int, measured_us: int = HOUR_US) -> Totals:
    return Totals(
        energy_compression_uj=energy_uj,
        energy_rebound_uj=2 * energy_uj,
        strokes_count=41,
        shaft_travel_um=1_312_700_000,
        stroke_travel_um=1_100_200_000,
        bottom_outs_count=3,
        measured_us=measured_us,
        moving_us=HOUR_US,
        moving_measured_us=measured_us,
        peak_compression_umps=4_100_000,
        peak_rebound_umps=2_200_000,
        peak_body_mc=113_250,
    )


def trip_row(start_tile: int, shares: list[TripDamper], is_open: bool = False) -> TripRow:
    start_ns = 10**10 + start_tile * 10**9
    return TripRow(1, start_tile, start_ns, start_ns + 90 * 10**9, is_open, 80_000_000, 1234.5, tuple(shares))


@pytest.fixture
def data_dir(tmp_path: Path) -> Path:
    """A ledger of four dampers and two trips, one damper half measured, one unit on the shelf without serial."""
    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        ledger.add_unit(None, "desert")
        ledger.put_epoch(Epoch(1, "simulated", "x", "boot-a", 10**10, STAMP.utc_ns, True))
        shares = [TripDamper(u, p, totals(1_000_000)) for u, p in zip(ids, POSITIONS, strict=True)]
        shares[3] = TripDamper(ids[3], POSITIONS[3], totals(4_000_000, HOUR_US // 2))
        trips = (trip_row(0, shares), trip_row(500, shares[:2], is_open=True))
        ledger.commit(Commit(9, "1", {ids[0]: totals(5_000_000)}, trips=trips))
        ledger.remove(ids[1], 9)
        ledger.install(ids[1], POSITIONS[1], sequence=9)
    return tmp_path


def test_trips_come_newest_first_with_sums_over_dampers(data_dir: Path) -> None:
    """The list a person opens in the evening."""
    newest, oldest = SqliteLedgerView(data_dir).trips(10, None)
    assert (newest.number, newest.is_open, newest.energy_j) == (2, True, 6.0)
    assert (oldest.number, oldest.is_open, oldest.energy_j) == (1, False, 3 * 3.0 + 12.0)
    assert (oldest.duration_s, oldest.moving_s, oldest.distance_m) == (90.0, 80.0, 1234.5)
    assert oldest.started_utc_s == STAMP.utc_ns / 1e9
    assert oldest.coverage_ratio == 0.5
    assert [t.number for t in SqliteLedgerView(data_dir).trips(10, 2)] == [1]


def test_trip_shows_each_damper_with_its_own_figures(data_dir: Path) -> None:
    """Units are converted once, here."""
    detail = SqliteLedgerView(data_dir).trip(1)
    assert detail is not None
    assert [row.position for row in detail.dampers] == list(POSITIONS)
    row = detail.dampers[3]
    assert (row.label, row.serial, row.energy_j, row.coverage_ratio) == ("SN-4", "SN-4", 12.0, 0.5)
    assert (row.compression_energy_j, row.rebound_energy_j) == (4.0, 8.0)
    assert (row.strokes_count, row.bottom_outs_count) == (41, 3)
    assert (row.shaft_travel_m, row.peak_body_c) == pytest.approx((1312.7, 113.25), rel=1e-12)
    assert (row.peak_compression_mps, row.peak_rebound_mps) == pytest.approx((4.1, 2.2), rel=1e-12)
    assert SqliteLedgerView(data_dir).trip(3) is None


def test_dampers_on_the_vehicle_come_first(data_dir: Path) -> None:
    """A unit without a serial is called by our tag."""
    rows = SqliteLedgerView(data_dir).dampers()
    assert [row.position for row in rows] == [*POSITIONS, None]
    assert rows[0].energy_total_j == 15.0
    assert rows[4].serial is None
    assert rows[4].label == "D5"


@pytest.mark.parametrize("name", ["unit_id", "serial"])
def test_damper_is_found_by_each_name(data_dir: Path, name: str) -> None:
    """People type the serial; links use the unit id."""
    view = SqliteLedgerView(data_dir)
    first = view.dampers()[0]
    detail = view.damper(getattr(first, name))
    assert detail is not None
    assert detail.damper == first
    assert (detail.coverage_ratio, detail.bottom_outs_total_count) == (1.0, 3)


def test_damper_is_found_by_tag_and_unknown_is_none(data_dir: Path) -> None:
    """A tag is all there is on an unmarked damper."""
    view = SqliteLedgerView(data_dir)
    tagged = view.damper("D5")
    assert tagged is not None
    assert tagged.installs == ()
    assert tagged.coverage_ratio is None
    for key in ("none", "", "SN-1'; DROP TABLE unit; --", "*"):
        assert view.damper(key) is None


def test_stays_come_newest_first(data_dir: Path) -> None:
    """Where it is now stands on top."""
    detail = SqliteLedgerView(data_dir).damper("SN-2")
    assert detail is not None
    assert [stay.is_current for stay in detail.installs] == [True, False]
    assert [stay.until_utc_s is None for stay in detail.installs] == [True, False]


def test_missing_and_foreign_ledgers_are_one_line(tmp_path: Path) -> None:
    """The page shows it as it is; nothing is made by looking."""
    with pytest.raises(LedgerError) as caught:
        SqliteLedgerView(tmp_path).trips(1, None)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "ledger.sqlite").write_bytes(b"no database at all" * 100)
    with pytest.raises(LedgerError):
        SqliteLedgerView(tmp_path).dampers()


def test_looking_changes_nothing_while_the_writer_goes_on(data_dir: Path) -> None:
    """Web never writes, and never holds the writer up."""
    view = SqliteLedgerView(data_dir)
    with open_ledger(data_dir) as ledger:
        before = view.trips(10, None)
        unit_id = ledger.units()[0].unit_id
        ledger.commit(Commit(10, "1", {unit_id: totals(6_000_000)}))
        assert view.trips(10, None) == before
        assert view.dampers()[0].energy_total_j == 18.0


def test_recovery_is_told_with_date_and_loss(data_dir: Path) -> None:
    """Whoever reads a total must be able to see that its ledger was once put right."""
    view = SqliteLedgerView(data_dir)
    assert view.recovered() is None
    with open_ledger(data_dir) as ledger:
        ledger.begin_recovery({"reason": "page 7", "backup": "ledger.backup-1.sqlite", "lost_sequences": None})
        row = ledger.entries(1)[0].row
    assert view.recovered() == (
        f"put right 2023-11-14 22:13 UTC, entry {row}: page 7; taken from ledger.backup-1.sqlite; "
        "no duty was lost that the log still has"
    )
    with open_ledger(data_dir) as ledger:
        ledger.begin_recovery({"reason": "it was gone", "backup": None, "lost_sequences": [1, 90]})
    assert str(view.recovered()).endswith("taken from the raw log alone; duty of frames 1 to 90 is lost")
