"""A new setting is written down once and forgets the damping baseline it would be compared with, by true dates only."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from daemon.processes import demo_settings, start_core, wait_until
from daemon.test_heat import kept_heats
from dutylog.clock import ManualClock
from dutylog.daemon.adjusters import LOOK_NS, Adjusters, recorded_settings
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.units import settle_units
from dutylog.domain.vehicle import Setting
from dutylog.errors import LedgerFull
from dutylog.ledger.command import apply_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Stamp
from dutylog.recording.reader import LogReader
from faults.conftest import FAST, Said
from faults.live_reader import LiveReader

__all__ = ["demo_settings", "start_core"]

STREET, DESERT = Setting(date(2026, 4, 1), "street", 4, 6), Setting(date(2026, 5, 31), "desert", 8, 10)
HOUR_S = LOOK_NS / 1e9


def with_settings(vehicle, *settings, positions=("front_left",)):
    dampers = tuple(replace(d, settings=settings if d.position in positions else ()) for d in vehicle.dampers)
    return replace(vehicle, dampers=dampers)


class Bench:
    """A ledger with the demo vehicle's dampers, and what core would give to Adjusters."""

    def __init__(self, folder, settings):
        self.clock = ManualClock()
        self.ledger = Ledger.open(folder / LEDGER_NAME, stamp=self.stamp)
        self.settings = settings
        self.trusted = True
        self.said, self.asked = [], []
        self.start(settings.vehicle)
        settle_units(self.ledger, settings.vehicle, 1)

    def stamp(self):
        return Stamp(self.clock.utc_ns(), self.trusted, self.clock.mono_ns(), "boot")

    def start(self, vehicle, kind="simulated"):
        """Begin anew with a vehicle, as a start of core does."""
        self.ledger.put_vehicle(vehicle)
        settings = CoreSettings(vehicle, self.settings.data_dir, kind)
        self.adjusters = Adjusters(self.ledger, settings, self.clock, self.said.append)

    def apply(self, request):
        self.asked.append((request["position"], request["what"]))
        reply = apply_command(self.ledger, request, 7).reply
        self.adjusters.look_soon()
        return reply

    def look(self, day=None):
        """Poll on a day; return lines said and resets asked for since."""
        if day is not None:
            noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
            self.clock.set_utc_ns(round(noon.timestamp()) * 10**9)
        self.said.clear()
        self.asked.clear()
        self.adjusters.poll(self.stamp, self.apply)
        return list(self.said), list(self.asked)

    def entries(self, kind="setting"):
        return [(entry.unit_id, json.loads(entry.data)) for entry in self.ledger.entries_of(kind)]


@pytest.fixture
def bench(demo_settings, tmp_path):
    made = Bench(tmp_path, demo_settings)
    yield made
    made.ledger.close()


def test_the_first_setting_of_a_unit_is_written_and_resets_nothing(bench):
    """Whoever enters what has always been so must not lose two hours of learning."""
    bench.start(with_settings(bench.settings.vehicle, STREET, DESERT))
    said, asked = bench.look(date(2026, 4, 2))
    unit = bench.ledger.installed()["front_left"]
    assert said == [f"front_left, damper {unit.label}: adjusters stand on street since 2026-04-01"]
    assert asked == []
    data = {"position": "front_left", "from_day": "2026-04-01", "name": "street"}
    assert bench.entries() == [(unit.unit_id, data | {"compression_clicks": 4, "rebound_clicks": 6})]
    assert bench.ledger.verify_chain() is None


def test_another_setting_forgets_the_baseline_once(bench):
    """The other clicks would look like lost damping."""
    bench.start(with_settings(bench.settings.vehicle, STREET, DESERT))
    bench.look(date(2026, 4, 2))
    bench.start(bench.ledger.vehicle())
    said, asked = bench.look(DESERT.from_day)
    assert asked == [("front_left", "damping")]
    assert len(said) == 1
    assert "adjusters stand on desert since 2026-05-31; the baseline of its damping output is forgotten" in said[0]
    bench.start(bench.ledger.vehicle())
    assert bench.look(date(2026, 6, 1)) == ([], [])
    assert [data["name"] for _, data in bench.entries()] == ["street", "desert"]
    assert [data for _, data in bench.entries("heat_reset")] == [{"position": "front_left", "what": "damping"}]


def test_a_day_that_comes_while_core_runs_is_noticed_within_the_hour(bench):
    """Core runs for weeks; it must not need a start, and must not ask the ledger all the time."""
    bench.start(with_settings(bench.settings.vehicle, STREET, DESERT))
    bench.look(date(2026, 5, 30))
    reads = []
    plain = bench.ledger.entries_of
    bench.ledger.entries_of = lambda kind: reads.append(kind) or plain(kind)
    bench.clock.set_utc_ns(round(datetime(2026, 5, 30, 23, 30, tzinfo=UTC).timestamp()) * 10**9)
    told = []
    for _ in range(7200):
        bench.clock.advance(1.0)
        said, asked = bench.look()
        told += [(bench.clock.utc_ns(), asked) for _ in said]
    ((when_ns, asked),) = told
    midnight_ns = round(datetime(2026, 5, 31, tzinfo=UTC).timestamp()) * 10**9
    assert 0 <= when_ns - midnight_ns <= LOOK_NS
    assert asked == [("front_left", "damping")]
    assert len(reads) == 2


def test_nothing_is_decided_by_a_clock_nobody_vouches_for(bench):
    """A board without a battery starts in any year; as soon as its clock is set, within a second, it is looked at."""
    bench.start(with_settings(bench.settings.vehicle, STREET, DESERT))
    bench.look(date(2026, 4, 2))
    bench.start(bench.ledger.vehicle())
    bench.trusted = False
    assert bench.look(date(2031, 1, 1)) == ([], [])
    assert len(bench.entries()) == 1
    bench.trusted = True
    bench.clock.advance(1.0)
    said, asked = bench.look(DESERT.from_day)
    assert (len(said), asked) == (1, [("front_left", "damping")])


def test_a_unit_that_takes_the_place_has_its_own_first_setting(bench):
    """A baseline belongs to a unit in a place: the new one has none, the old one's waits for it with its setting."""
    bench.start(with_settings(bench.settings.vehicle, STREET, DESERT))
    bench.look(date(2026, 4, 2))
    old = bench.ledger.installed()["front_left"]
    bench.ledger.remove(old.unit_id)
    other = bench.ledger.add_unit("OTHER", old.profile)
    bench.ledger.install(other.unit_id, "front_left")
    bench.adjusters.look_soon()
    said, asked = bench.look(DESERT.from_day)
    assert "damper OTHER: adjusters stand on desert" in said[0]
    assert asked == []
    bench.ledger.remove(other.unit_id)
    bench.ledger.install(old.unit_id, "front_left")
    bench.adjusters.look_soon()
    said, asked = bench.look()
    assert f"damper {old.label}: adjusters stand on desert" in said[0]
    assert asked == [("front_left", "damping")]
    known = recorded_settings(bench.ledger)
    assert known == {(old.unit_id, "front_left"): DESERT, (other.unit_id, "front_left"): DESERT}


def test_a_unit_in_another_place_is_judged_by_what_was_written_of_it_there(bench):
    """What it learned at the front left was learned at the front left's setting, wherever it has been since."""
    plain = bench.settings.vehicle
    places = {"front_left": (STREET,), "front_right": (DESERT,)}
    dampers = tuple(replace(d, settings=places.get(d.position, ())) for d in plain.dampers)
    bench.start(replace(plain, dampers=dampers))
    bench.look(date(2026, 6, 1))
    unit, right = (bench.ledger.installed()[position] for position in places)
    bench.ledger.remove(right.unit_id)
    for position in ("front_right", "front_left"):
        bench.ledger.remove(unit.unit_id)
        bench.ledger.install(unit.unit_id, position)
        bench.adjusters.look_soon()
        said, asked = bench.look()
        assert asked == []
        assert [line.split(",")[0] for line in said] == (["front_right"] if position == "front_right" else [])


def test_a_corrected_day_alone_is_written_and_resets_nothing(bench):
    """The adjusters weren't touched."""
    bench.start(with_settings(bench.settings.vehicle, STREET))
    bench.look(date(2026, 4, 2))
    bench.start(with_settings(bench.settings.vehicle, replace(STREET, from_day=date(2026, 3, 30))))
    said, asked = bench.look()
    assert (len(said), asked) == (1, [])
    assert [data["from_day"] for _, data in bench.entries()] == ["2026-04-01", "2026-03-30"]


def test_places_without_setting_unit_or_begun_day_are_left_alone(bench):
    """Nothing is made up."""
    vehicle = with_settings(bench.settings.vehicle, STREET, positions=("front_left", "rear_left"))
    bench.ledger.remove(bench.ledger.installed()["rear_left"].unit_id)
    bench.start(vehicle)
    assert bench.look(date(2026, 3, 31)) == ([], [])
    bench.clock.advance(HOUR_S)
    said, _ = bench.look(date(2026, 4, 1))
    assert [line.split(",")[0] for line in said] == ["front_left"]


def test_today_s_settings_say_nothing_of_a_recording(bench):
    """What is played back was driven on another day."""
    bench.start(with_settings(bench.settings.vehicle, STREET), kind="recording")
    assert bench.look(date(2026, 4, 2)) == ([], [])
    assert bench.entries() == []


def test_a_full_disk_is_told_and_tried_again(bench):
    """Core goes on sampling; nothing is taken as written that wasn't."""
    bench.start(with_settings(bench.settings.vehicle, STREET))
    plain = bench.ledger.append_entry

    def full(*_):
        raise LedgerFull("no room")

    bench.ledger.append_entry = full
    said, _ = bench.look(date(2026, 4, 2))
    assert "no room" in said[0]
    bench.ledger.append_entry = plain
    assert bench.look() == ([], [])
    bench.clock.advance(HOUR_S)
    said, _ = bench.look()
    assert "adjusters stand on street" in said[0]


def test_core_forgets_the_baseline_when_the_clock_is_set_and_writes_it_into_the_log(
    demo_settings, start_core, tmp_path
):
    """The whole way: two starts of core, the second with another setting at one corner and a clock set late."""
    yesterday = datetime.now(tz=UTC).date() - timedelta(1)
    street, desert = replace(STREET, from_day=date(2020, 1, 1)), replace(DESERT, from_day=yesterday)
    vouched, side = tmp_path / "vouched", tmp_path / "side.log"
    options = FAST | {"trusted_file": str(vouched)}
    first = replace(demo_settings, pace=40.0, vehicle=with_settings(demo_settings.vehicle, street))
    vouched.touch()
    drive(start_core(first, side, **options), first.data_dir, lambda said: said.with_word("stand on street"))
    before_s = watched_s(first.data_dir)
    assert before_s["front_left"] > 5.0
    assert before_s["front_left"] == pytest.approx(before_s["front_right"], abs=2.0)
    vouched.unlink()

    def vouch(said):
        assert not said.with_word("adjusters"), "nothing before somebody vouches for the clock"
        vouched.touch()
        wait_until(lambda: said.with_word("stand on desert"), "the setting is noticed")

    second = replace(first, vehicle=with_settings(demo_settings.vehicle, street, desert))
    drive(start_core(second, side, **options), first.data_dir, vouch)
    after_s = watched_s(first.data_dir)
    assert after_s["front_left"] < after_s["front_right"] - before_s["front_left"]
    events = [f.data for f in LogReader(first.data_dir / "log").frames() if f.data and "what" in f.data]
    assert [(e["kind"], e["position"], e["what"]) for e in events] == [("heat_reset", "front_left", "damping")]
    with Ledger.open(first.data_dir / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.verify_chain() is None
        assert [setting.name for setting in recorded_settings(ledger).values()] == ["desert"]


def drive(child, data_dir, then):
    """Let core drive 15 s of a trip, do something, and have it stop."""
    said = Said(child)
    with LiveReader(data_dir) as live:
        wait_until(lambda: live.newest and (live.newest["trip"] or {}).get("duration_s", 0.0) > 15.0, "a drive")
    then(said)
    child.process.terminate()
    status, _, errors = said.finish()
    assert status == 0, errors


def watched_s(data_dir):
    """Return how long each place has been watched for its damping output since it was last forgotten."""
    heats = kept_heats(data_dir).items()
    return {position: heat.damping.to_dict()["progress"]["ran_s"] for position, heat in heats}
