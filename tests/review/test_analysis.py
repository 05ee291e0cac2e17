"""A trip's raw log read again: to the last microjoule what the ledger counted, wherever in the log the trip lies."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from daemon.counted import FULL, RIGHT_MM
from daemon.processes import DEMO
from daemon.test_recount import OtherBoot
from dutylog.cli.main import main
from dutylog.config import load
from dutylog.daemon import core as core_module
from dutylog.engine.integrate import integrate
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.bounds import read_start
from dutylog.review import pieces, trip_pass
from dutylog.sim.scenario import built_in_scenario
from dutylog.sim.source import SimulatedSource
from review.driven_trips import RoughSource, check_sums, review, truck
from review.same import assert_same

__all__ = ["truck"]


def test_rows_add_up_to_the_ledgers_shares(truck):
    truck.drive(130, 1000, source=RoughSource(130, 1000))
    data, trip = review(truck, "1")
    check_sums(data, trip)
    # The last second's window was never whole.
    assert len(data.t_s) == 129
    assert np.array_equal(data.t_s, np.arange(129.0))
    assert np.array_equal(data.dt_s, np.ones(129))
    assert [one.position for one in data.dampers] == ["front_left", "front_right", "rear_left", "rear_right"]
    assert [one.label for one in data.dampers] == ["SN-1", "SN-2", "SN-3", "SN-4"]


@pytest.fixture
def begun(monkeypatch):
    """Behind which frame each reading of a log began."""
    found = []

    class Told(trip_pass.LogReader):
        def frames(self, after_sequence=0):
            found.append(after_sequence)
            return super().frames(after_sequence)

    monkeypatch.setattr(trip_pass, "LogReader", Told)
    return found


def test_a_trip_in_the_midst_of_the_log_is_read_without_what_lies_before(truck, monkeypatch, begun):
    """Three trips in one epoch; the last is read from before the end of the second on, and no frame of the first."""
    monkeypatch.setattr("dutylog.review.analysis.BEFORE_NS", 30 * 10**9)
    rest = [*range(130, 220), *range(280, 370)]
    truck.drive(430, 1000, source=RoughSource(430, 1000, rest=rest))
    for key in ("1", "2", "3"):
        check_sums(*review(truck, key))
    assert begun[0] == 0
    assert len(begun) == 3
    assert begun[1] < begun[2]
    assert begun[1] > 0


@pytest.mark.slow
def test_hours_of_rest_before_a_trip_are_read_only_where_they_matter(truck, monkeypatch, begun):
    """A stroke that was open before the rest ends with the first one of the trip: then the short way isn't enough."""
    monkeypatch.setattr("dutylog.review.analysis.BEFORE_NS", 40 * 10**9)
    monkeypatch.setattr("dutylog.review.analysis.SHORT_NS", 20 * 10**9)
    monkeypatch.setattr("dutylog.review.analysis.LONG_NS", 30 * 10**9)
    truck.drive(300, 1000, source=RoughSource(300, 1000, rest=range(100, 200)))
    check_sums(*review(truck, "2"))
    assert len(begun) == 2
    assert begun[1] < begun[0]


def test_a_trip_over_two_epochs_is_one(truck):
    """What ended with the first epoch is in the row before it; the pause has no rows."""
    truck.drive(75, 1000, source=RoughSource(75, 1000))
    truck.drive(75, 1100, source=RoughSource(75, 1100))
    data, trip = review(truck, "1")
    check_sums(data, trip)
    assert len(data.t_s) == 75 + 74
    assert np.diff(data.t_s).max() == 26.0


@pytest.mark.parametrize("key", ["2", pytest.param("1", marks=pytest.mark.slow)])
def test_trips_end_within_the_grace_time_with_what_became_certain_then(truck, key):
    """The epoch ends while the vehicle rests, within the minute that keeps a trip open."""
    truck.drive(130, 1000, source=RoughSource(130, 1000, rest=range(100, 130)))
    truck.drive(100, 2000, source=RoughSource(100, 2000, rest=range(80, 100)))
    check_sums(*review(truck, key))


def test_a_trip_over_a_restart_of_the_machine_keeps_one_time(truck, monkeypatch):
    """The row of such a trip is told on the second boot's clock, in which none of its first tiles lies."""
    monkeypatch.setattr(core_module, "is_utc_trusted", lambda: True)
    for later_s, begin_s in [(0, 1000), (-700, 400)]:
        monkeypatch.setattr(core_module, "read_boot_id", lambda boot=f"boot-{later_s}": boot)
        monkeypatch.setattr("daemon.counted.SystemClock", lambda later=later_s: OtherBoot(later))
        truck.drive(70, begin_s, source=RoughSource(70, begin_s))
    data, trip = review(truck, "1")
    check_sums(data, trip)
    assert len(data.t_s) == 70 + 69
    # 1070 s on the first clock is the last row's end, 400 s on the second 1100 s on the first.
    assert np.diff(data.t_s).max() == pytest.approx(31.0, abs=0.05)


def test_a_damper_swapped_on_the_way_has_its_rows_and_no_others(truck):
    def swap():
        truck.ask(command="remove", unit="SN-1")
        with Ledger.open(truck.data / LEDGER_NAME, read_only=True) as ledger:
            assert ledger.find_unit("SN-1") is not None
        truck.ask(command="add", serial="SN-9", profile="linear")
        truck.ask(command="install", unit="SN-9", position="front_left")

    truck.drive(130, 1000, source=RoughSource(130, 1000, at={61: swap}))
    data, trip = review(truck, "1")
    check_sums(data, trip)
    old, new = (next(d for d in data.dampers if d.label == label) for label in ("SN-1", "SN-9"))
    assert old.position == new.position == "front_left"
    both = (old.measured_us > 0) & (new.measured_us > 0)
    assert not both.any()
    assert old.energy_uj.sum() > 0
    assert new.energy_uj.sum() > 0
    assert np.isnan(old.travel_mean_m[new.measured_us > 0]).all()
    assert np.isnan(new.body_c[old.measured_us > 0]).all()


def test_contacts_are_the_damper_s_that_sat_there_then(truck):
    """Two dampers share a place in a trip; its hits aren't both's."""

    def swap():
        truck.ask(command="remove", unit="SN-1")
        truck.ask(command="add", serial="SN-9", profile="linear")
        truck.ask(command="install", unit="SN-9", position="front_left")

    truck.drive(130, 1000, source=RoughSource(130, 1000, at={61: swap}))
    data, trip = review(truck, "1")
    for share in trip.dampers:
        mine = [one for one in data.contacts if one.unit_id == share.unit_id and one.kind == "bottomed"]
        assert {one.position for one in mine} <= {share.position}
        assert len(mine) == share.totals.bottom_outs_count
    both = [one for one in data.dampers if one.position == "front_left"]
    assert len(both) == 2
    assert all(one.totals.bottom_outs_count > 0 for one in both)


class JumpingSource(RoughSource):
    """As RoughSource, but the first damper's sensor says for some samples that it is at the end of travel."""

    def rows(self, second, is_rest):
        rows = super().rows(second, is_rest)
        if second % 7 == 3:
            rows[(second * 37) % 990 :, 0][:3] = FULL
            rows[5, 1] = np.rint(253.0 / 300.0 * FULL)
        return rows


@pytest.mark.parametrize("source", [RoughSource, JumpingSource])
def test_no_contact_is_faster_than_the_shaft_ever_was(truck, source):
    """A sensor that jumps doesn't count, and is no hit at 26 m/s."""
    truck.drive(200, 1000, source=source(200, 1000))
    data, trip = review(truck, "1")
    peaks = {one.unit_id: one.totals for one in trip.dampers}
    assert len(data.contacts) > 0
    for one in data.contacts:
        totals = peaks[one.unit_id]
        is_inwards = one.kind in ("bottomed", "bump_stop")
        peak_umps = totals.peak_compression_umps if is_inwards else totals.peak_rebound_umps
        assert one.speed_mps * 1e6 <= peak_umps + 1, one


def test_dampers_that_change_sides_take_nothing_along(truck):
    truck.drive(100, 1000, source=RoughSource(100, 1000))
    for words in (["remove", "SN-1"], ["remove", "SN-4"], ["install", "SN-1", "rear_right"]):
        assert main(["damper", *words, "--data", str(truck.data)]) == 0
    truck.drive(100, 1110, source=RoughSource(100, 1110))
    data, trip = review(truck, "1")
    check_sums(data, trip)
    assert sorted(one.position for one in data.dampers if one.label == "SN-1") == ["front_left", "rear_right"]


def test_a_corrected_calibration_counts_as_in_the_ledger(truck):
    """Energy of a linear damper rises with the square of travel: 1.21 times, in the rows as in the totals."""
    truck.drive(130, 1000, source=RoughSource(130, 1000, rest=range(45, 118)))
    truck.drive(90, 3000, source=RoughSource(90, 3000))
    before = {key: review(truck, key)[0] for key in ("1", "2", "3")}
    truck.calibrate("rear_left", "--corrects", full_mm=RIGHT_MM)
    assert main(["ledger", "recount", "--data", str(truck.data)]) == 0
    for key, old in before.items():
        data, trip = review(truck, key)
        check_sums(data, trip)
        was, now = (next(d for d in one.dampers if d.position == "rear_left") for one in (old, data))
        assert now.energy_uj.sum() / was.energy_uj.sum() == pytest.approx(1.21, rel=1e-4)


def test_a_new_configuration_on_the_way_breaks_nothing(truck):
    """A calibration while driving ends a run: the tile it cuts in two is two rows."""
    at = {61: lambda: truck.calibrate_driving("front_right", full_mm=310.0, is_remounted=True)}
    truck.drive(130, 1000, source=RoughSource(130, 1000, at=at))
    check_sums(*review(truck, "1"))


def test_place_and_speed_come_from_the_same_seconds(truck):
    truck.drive(60, 1000, source=RoughSource(60, 1000))
    data, _ = review(truck, "1")
    row = np.arange(len(data.t_s))
    assert np.allclose(data.latitude_deg, 32.0 + row * 1e-4, atol=1.01e-4)
    assert np.all(np.diff(data.latitude_deg) > 0)
    assert np.all(data.longitude_deg == -115.0)
    assert np.all(data.vehicle_mps == 12.0)
    assert np.allclose(data.dampers[1].body_c, 61.0)
    assert np.all(data.ambient_c == 20.0)


def test_contacts_are_the_ledgers_bottom_outs_and_more(truck):
    truck.drive(130, 1000, source=RoughSource(130, 1000))
    data, trip = review(truck, "1")
    for share in trip.dampers:
        kinds = [one.kind for one in data.contacts if one.position == share.position]
        assert kinds.count("bottomed") == share.totals.bottom_outs_count
    counts = {share.position: share.totals.bottom_outs_count for share in trip.dampers}
    assert counts["front_left"] >= 12
    assert counts["rear_left"] == 0
    first = next(one for one in data.contacts if one.kind == "bottomed")
    row = int(first.t_s)
    assert (first.vehicle_mps, first.latitude_deg) == (12.0, pytest.approx(float(data.latitude_deg[row])))
    assert first.distance_m == data.distance_m[row]


def test_without_a_log_the_ledger_tells_what_it_has(truck):
    truck.drive(60, 1000, source=RoughSource(60, 1000))
    for file in (truck.data / "log").iterdir():
        file.unlink()
    data, trip = review(truck, "1")
    assert len(data.t_s) == 0
    assert not data.is_raw_whole
    assert data.segments == ()
    assert "raw log of this trip is gone" in data.notes[0]
    assert [one.totals for one in data.dampers] == [one.totals for one in trip.dampers]


def test_a_begin_that_was_removed_is_said(truck):
    truck.drive(200, 1000, source=RoughSource(200, 1000))
    for file in sorted((truck.data / "log").glob("*.dlg"))[:2]:
        file.unlink()
    data, trip = review(truck, "1")
    assert not data.is_raw_whole
    assert data.t_s[0] == 120.0
    assert "first 2 minutes" in data.notes[0]
    # How far it had come by then nobody knows.
    assert np.isnan(data.distance_m).all()
    assert len(data.contacts) > 0
    assert {one.distance_m for one in data.contacts} == {None}
    assert all(one.vehicle_mps == 12.0 for one in data.contacts)
    assert [one.totals for one in data.dampers] == [one.totals for one in trip.dampers]


def test_a_flipped_bit_is_said_and_the_rest_read(truck):
    truck.drive(200, 1000, source=RoughSource(200, 1000))
    file = sorted((truck.data / "log").glob("*.dlg"))[1]
    octets = bytearray(file.read_bytes())
    octets[len(octets) // 2] ^= 0x10
    file.write_bytes(octets)
    data, _ = review(truck, "1")
    assert not data.is_raw_whole
    assert any("damaged" in note for note in data.notes)
    assert len(data.t_s) > 190


@pytest.fixture
def joins(monkeypatch):
    """How many rows each half had, of trips that were really read by two processes."""
    found, real = [], pieces.join

    def join(first, later):
        found.append((len(first.t_s), len(later.t_s)))
        return real(first, later)

    monkeypatch.setattr(pieces, "join", join)
    return found


def test_two_pieces_are_the_whole(truck, joins):
    """Joined: the same rows, histograms, contacts, faults and segments, bit for bit."""
    truck.drive(200, 1000, source=RoughSource(200, 1000, rest=range(60, 70)))
    whole, trip = review(truck, "1", in_pieces=False)
    joined, _ = review(truck, "1", in_pieces=True)
    assert joins == [(120, 79)]
    check_sums(joined, trip)
    assert_same(joined, whole)
    assert whole.faults


def test_a_second_piece_that_does_not_fit_is_left_aside(truck, joins, monkeypatch):
    """It began too late for its signals to have settled: the first reads on, and all is as it should be."""
    truck.drive(200, 1000, source=RoughSource(200, 1000))
    whole, _ = review(truck, "1", in_pieces=False)
    monkeypatch.setattr("dutylog.review.analysis.BEFORE_CUT_NS", 10**9 // 2)
    joined, trip = review(truck, "1", in_pieces=True)
    assert joins == []
    check_sums(joined, trip)
    assert_same(joined, whole)


def test_a_second_process_that_dies_is_no_matter(truck, joins, monkeypatch):
    truck.drive(200, 1000, source=RoughSource(200, 1000))
    monkeypatch.setattr(pieces.sys, "executable", "/bin/false")
    check_sums(*review(truck, "1", in_pieces=True))
    assert joins == []


def test_a_part_of_a_split_trip_is_as_the_book_has_it(truck):
    """Cut at the border of a minute row: both parts add up to the trip, each from its own samples."""
    truck.drive(200, 1000, source=RoughSource(200, 1000))
    truck.drive(30, 3000, source=RoughSource(30, 3000))
    words = ["trip", "split", "1", "0:02:00", "--by", "Ann", "--data", str(truck.data)]
    assert main(words) == 0
    first, second = (review(truck, key) for key in ("1.1", "1.2"))
    for data, trip in (first, second):
        check_sums(data, trip)
    assert len(first[0].t_s) + len(second[0].t_s) == 200
    assert first[0].t_s[0] == second[0].t_s[0] == 0.0


def test_merged_trips_are_one(truck):
    """What lay between belongs to neither."""
    truck.drive(260, 1000, source=RoughSource(260, 1000, rest=range(80, 170)))
    truck.drive(30, 3000, source=RoughSource(30, 3000))
    assert main(["trip", "merge", "1", "2", "--by", "Ann", "--data", str(truck.data)]) == 0
    data, trip = review(truck, "1")
    check_sums(data, trip)
    assert np.diff(data.t_s).max() > 60


def test_the_grace_time_of_the_vehicle_file_need_not_be_known(truck):
    """The epoch ends two minutes after the last motion: this vehicle's trip was over, another's would not be."""
    truck.drive(200, 1000, source=RoughSource(200, 1000, rest=range(80, 200)))
    truck.drive(30, 3000, source=RoughSource(30, 3000))
    check_sums(*review(truck, "1", grace_s=600.0))


def test_rows_add_up_to_what_integrate_says_of_the_same_log(truck, tmp_path):
    """A trip that is all of an epoch, its last strokes included; the log's calibrations are the vehicle's own."""
    truck.drive(130, 1000, source=RoughSource(130, 1000))
    truck.drive(30, 3000, source=RoughSource(30, 3000))
    data, trip = review(truck, "1")
    check_sums(data, trip)
    alone = tmp_path / "alone"
    alone.mkdir()
    for file in sorted((truck.data / "log").glob("*.dlg")):
        start = read_start(file)
        if start is not None and start.epoch == 1:
            shutil.copy(file, alone)
    totals = integrate(alone, truck.vehicle).engine.totals()
    assert {one.unit_id: one.totals for one in data.dampers} == totals


def test_a_simulated_drive_is_told_like_any_other(truck):
    """The demo's vehicle and roads: contacts where its bump stops and straps are, and kinds of road for all of it."""
    vehicle = load(DEMO).vehicle
    truck.vehicle = vehicle
    source = SimulatedSource(vehicle, built_in_scenario("desert"), 3, pace=0.0, seconds=150.0)
    truck.drive(0, 0, source=source)
    data, trip = review(truck, "1")
    check_sums(data, trip)
    assert data.segments[0].start_s == 0.0
    assert data.segments[-1].end_s == pytest.approx(data.end_s)
    assert [one.bump_stop_m for one in data.dampers] == [one.bump_stop_m for one in vehicle.dampers]
    bottomed = sum(one.totals.bottom_outs_count for one in trip.dampers)
    assert sum(one.kind == "bottomed" for one in data.contacts) == bottomed
    assert all(0.0 <= one.t_s < data.end_s and one.speed_mps >= 0.0 for one in data.contacts)
