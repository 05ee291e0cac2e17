"""The raw log within its limits, by real processes of core: what goes, what is said, and that all works after it."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from daemon.oracle import fallen_totals
from daemon.processes import wait_until
from dutylog.cli.main import main
from dutylog.config.settings import LogSettings
from dutylog.daemon.pruning import keep_within, read_needed_from
from dutylog.engine.integrate import integrate
from dutylog.ledger.backup import find_backups
from dutylog.ledger.ledger import LEDGER_NAME, PRUNED, Ledger
from dutylog.recording.bounds import read_log_bounds, read_start
from dutylog.recording.reader import LogReader
from dutylog.recording.retention import KeepRule
from dutylog.recording.scan import find_segments

FAST = {"commit_ns": 100_000_000, "cold_ns": 500_000_000}
TINY = LogSettings(keep_s=1.0, keep_bytes=1)


@pytest.fixture
def driven(demo_settings, start_core, tmp_path):
    """Settings of a data folder with three drives, each a trip of its own, each stopped in order."""
    settings = replace(demo_settings, grace_s=0.05, pace=20.0)
    for _ in range(3):
        drive(start_core, settings, tmp_path / "side.log")
    return settings


def drive(start_core, settings, side, how="stop", ready=None, **options):
    """Run core until something is so (some commits, when nothing is named); return the lines it said."""
    child = start_core(settings, side, **FAST, **options)
    before = side.stat().st_size if side.exists() else 0
    wait_until(ready or (lambda: side.exists() and side.stat().st_size > before + 12_000), "a drive")
    child.process.kill() if how == "kill" else child.process.terminate()
    status, out, errors = child.finish()
    assert status == (-9 if how == "kill" else 0), errors
    assert "Traceback" not in errors
    return out.splitlines()


def totals(settings):
    with Ledger.open(settings.data_dir / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.find_damage(whole=True) is None
        return ledger.all_totals()


def pruned(settings):
    with Ledger.open(settings.data_dir / LEDGER_NAME, read_only=True) as ledger:
        return [json.loads(entry.data) for entry in ledger.entries_of(PRUNED)]


def test_closed_trips_go_with_an_entry_and_everything_works_after_it(driven, start_core, tmp_path, capsys):
    log, before = driven.data_dir / "log", totals(driven)
    with Ledger.open(driven.data_dir / LEDGER_NAME, read_only=True) as ledger:
        minutes = {u: [len(ledger.minutes(u, epoch)) for epoch in (1, 2, 3)] for u in before}
        needed = min(
            read_needed_from(copy_cursor(file)) for file in [*find_backups(ledger.path), driven.data_dir / LEDGER_NAME]
        )
    settings = replace(driven, keep=TINY)
    lines = drive(
        start_core, settings, tmp_path / "side.log", ready=lambda: pruned(driven), upkeep_first_ns=300_000_000
    )
    (told,) = pruned(driven)
    first = read_log_bounds(log).first_sequence
    assert told["sequences"] == [1, first - 1]
    assert first <= needed
    assert told["segments"] == [1, read_number(log) - 1]
    begin = read_start(find_segments(log)[0])
    with Ledger.open(driven.data_dir / LEDGER_NAME, read_only=True) as ledger:
        wanted = sorted(trip.number for trip in ledger.trips(1000) if trip.row.epoch < begin.epoch)
    assert begin.epoch > 1
    assert told["trips"] == wanted
    assert wanted
    assert told["reason"] == "size"
    names = ", ".join(map(str, wanted))
    assert [line for line in lines if "raw log: segments" in line and line.endswith(f"now: {names}")], lines
    after = totals(driven)
    assert fallen_totals([before], after) == []
    with Ledger.open(driven.data_dir / LEDGER_NAME, read_only=True) as ledger:
        assert {u: [len(ledger.minutes(u, epoch)) for epoch in (1, 2, 3)] for u in before} == minutes
    assert sum(map(sum, minutes.values())) > 0
    drive(start_core, driven, tmp_path / "side.log", how="kill")
    lines = drive(start_core, driven, tmp_path / "side.log")
    assert not [line for line in lines if "ones stand" in line or "the raw log ends" in line], lines
    assert fallen_totals([after], totals(driven)) == []
    capsys.readouterr()
    assert main(["recording", "list", str(log)]) == 0
    out = capsys.readouterr().out
    assert f"begins with frame {first}: what came before is gone" in out
    assert f"segments 1 to {told['segments'][1]} were removed" in out
    assert f"trips without all their raw samples: {names}" in out
    reader = LogReader(log)
    assert [frame.sequence for frame in reader.frames()][:1] == [first]
    assert reader.damage == []
    result = integrate(log, driven.vehicle).to_dict()
    assert all(damper["strokes"] > 0 for damper in result["dampers"].values())


def copy_cursor(file):
    with Ledger.open(file, read_only=True) as ledger:
        return ledger.cursor().checkpoint


def read_number(log):
    return int(find_segments(log)[0].name[:8])


@pytest.mark.slow
def test_a_pruned_log_still_heals_a_ledger_from_any_of_its_backups(driven, start_core, tmp_path):
    """That is why frames behind the oldest backup stay, whatever the limits."""
    settings = replace(driven, keep=TINY)
    drive(start_core, settings, tmp_path / "side.log", ready=lambda: pruned(driven), upkeep_first_ns=300_000_000)
    before = totals(driven)
    *newer, _oldest = find_backups(driven.data_dir / LEDGER_NAME)
    for file in newer:
        file.write_bytes(b"rubbish" * 1000)
    (driven.data_dir / LEDGER_NAME).write_bytes(b"rubbish" * 1000)
    lines = drive(start_core, driven, tmp_path / "side.log")
    with Ledger.open(driven.data_dir / LEDGER_NAME, read_only=True) as ledger:
        tale = json.loads(ledger.last_entry("recovered").data)
    assert tale["lost_sequences"] is None
    assert tale["log_first_sequence"] > 1
    assert not [line for line in lines if "ones stand" in line], lines
    assert fallen_totals([before], totals(driven)) == []


def test_the_open_trip_and_a_ledger_being_put_right_stop_it(driven):
    log = driven.data_dir / "log"
    with Ledger.open(driven.data_dir / LEDGER_NAME) as ledger:
        for file in find_backups(ledger.path)[1:]:
            file.unlink()
        (newest,) = [trip.row for trip in ledger.trips(1)]
        begin = read_start(find_segments(log)[-1])
        assert newest.is_open
        assert begin.epoch == newest.epoch
        ledger.begin_recovery({})
        assert keep_within(ledger, log, KeepRule(1, 1), None) is None
        ledger.end_recovery()
        assert keep_within(ledger, log, KeepRule(1, 1), None) is not None
        left = [read_start(file) for file in find_segments(log)]
        assert left
        assert left[0].epoch == newest.epoch
        assert keep_within(ledger, log, KeepRule(1, 1), None) is None


def test_an_entry_comes_before_its_files_go(driven, monkeypatch):
    """Killed between the two, the next step says so again; the other way round files would vanish unsaid."""
    log = driven.data_dir / "log"
    count = len(find_segments(log))
    with Ledger.open(driven.data_dir / LEDGER_NAME) as ledger:
        for file in find_backups(ledger.path)[1:]:
            file.unlink()

        def cut(_pruning):
            raise KeyboardInterrupt

        monkeypatch.setattr("dutylog.daemon.pruning.prune", cut)
        with pytest.raises(KeyboardInterrupt):
            keep_within(ledger, log, KeepRule(1, 1), None)
        assert len(find_segments(log)) == count
        assert len(ledger.entries_of(PRUNED)) == 1
        monkeypatch.undo()
        assert keep_within(ledger, log, KeepRule(1, 1), None) is not None
        assert len(ledger.entries_of(PRUNED)) == 2
        assert len(find_segments(log)) < count
