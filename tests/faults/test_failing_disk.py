"""fsync that fails or takes seconds: sampling goes on, it is said once, nothing is lost or doubled."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from daemon.oracle import differing_units, fallen_totals, lost_frames, read_side_log
from daemon.processes import wait_until
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from faults.conftest import FAST, Said, needs
from faults.live_reader import LiveReader

pytestmark = needs("strace")


def strace(*injections):
    """Return the command in front of core that makes its system calls fail or last."""
    # -D: core stays the process that was started, so signals reach it.
    words = ["strace", "-D", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fsync,fdatasync"]
    for injection in injections:
        words += ["-e", f"inject={injection}"]
    return words


def judge(settings, side):
    """Return what is wrong: (frames lost, units that differ, totals that fell)."""
    folder = settings.data_dir
    frames, acknowledged = read_side_log(side)
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.check_file() == []
        assert ledger.verify_chain() is None
        final = ledger.all_totals()
    assert any(totals.strokes_count for totals in final.values())
    return lost_frames(folder / "log", frames), differing_units(folder, settings.vehicle), fallen_totals(
        acknowledged, final
    )  # fmt: skip


def is_slow(snapshots):
    """Return whether the latest seven snapshots came at least a second apart each."""
    times_ns = [one["utc_ns"] for one in snapshots[-7:]]
    return len(times_ns) == 7 and all(b - a > 1_000_000_000 for a, b in pairwise(times_ns))


@pytest.mark.parametrize(
    ("injection", "place"),
    [("fsync:error=EIO:when=40..80", ".dlg"), ("fdatasync:error=EIO:when=30..60", "ledger.sqlite")],
)
def test_disk_that_fails_for_a_while_is_said_once_and_left_behind(
    demo_settings, start_core, tmp_path, injection, place
):
    """A card that is pulled by vibration and comes back must not end the run."""
    side = tmp_path / "side.log"
    child = start_core(demo_settings, side, prefix=strace(injection), **FAST)
    said = Said(child)
    with LiveReader(demo_settings.data_dir) as live:
        wait_until(lambda: said.with_word("takes data again"), "the disk takes data again")
        acknowledged = len(read_side_log(side)[1])
        wait_until(lambda: len(read_side_log(side)[1]) > acknowledged + 5, "totals go on")
        texts = [one["source"]["state_text"] for one in live.snapshots]
    child.process.terminate()
    status, lines, errors = said.finish()
    assert (status, errors) == (0, "")
    begun = said.with_word("trying again")
    assert len(begun) == 1, lines
    assert place in begun[0]
    assert "check the" in begun[0]
    assert any("stand still" in text for text in texts)
    assert texts[-1] == ""
    assert judge(demo_settings, side) == ([], [], [])


def test_disk_that_never_works_again_ends_with_a_line_and_what_was_lost(demo_settings, start_core, tmp_path):
    side = tmp_path / "side.log"
    child = start_core(demo_settings, side, prefix=strace("fsync,fdatasync:error=EIO:when=60+"), **FAST)
    said = Said(child)
    wait_until(lambda: said.with_word("trying again"), "the disk fails")
    child.process.terminate()
    status, _, errors = said.finish()
    assert (status, errors.count("\n")) == (2, 1)
    assert "check the card" in errors
    assert said.with_word("rows that waited for the disk were not stored")
    child = start_core(demo_settings, side, **FAST)
    child.wait_for("running")
    child.process.terminate()
    status, out, errors = child.finish()
    assert (status, errors) == (0, ""), out
    assert "larger ones stand" not in out
    assert judge(demo_settings, side) == ([], [], [])


def test_disk_slower_than_its_commits_costs_no_samples(demo_settings, start_core, tmp_path):
    """A worn card stalls for seconds; what comes meanwhile is late, never lost."""
    settings, side = replace(demo_settings, pace=2.0), tmp_path / "side.log"
    child = start_core(
        settings, side, prefix=strace("fsync,fdatasync:delay_enter=400000:when=40+"), commit_ns=500_000_000
    )
    said = Said(child)
    with LiveReader(settings.data_dir) as live:
        wait_until(lambda: is_slow(live.snapshots), "several slow commits")
        first, last = live.snapshots[-5], live.snapshots[-1]
    child.process.terminate()
    status, _, errors = said.finish()
    assert (status, errors) == (0, "")
    assert judge(settings, side) == ([], [], [])
    passed_s = (last["utc_ns"] - first["utc_ns"]) / 1e9
    # Stamps follow the simulated drive at twice the clock; a loop that only writes would fall ever further behind.
    assert last["mono_s"] - first["mono_s"] > 1.5 * passed_s
