"""Kills with files cut at random bytes: nothing twice, nothing less than what the files still prove, losses told."""

from __future__ import annotations

import os

import pytest

from faults.kill_campaign import KillCampaign


def judge(tally):
    assert (tally.doubled, tally.fallen, tally.wrong, tally.untold) == ([], [], [], [])


def test_a_dozen_kills_with_cut_files(demo_settings, start_core, tmp_path):
    """The short form."""
    tally = KillCampaign(demo_settings, start_core, tmp_path / "side.log", seed=5).run(12)
    judge(tally)
    assert tally.kills == 12
    assert min(tally.cuts.values()) >= 2
    assert tally.judged >= 8


@pytest.mark.slow
@pytest.mark.parametrize("replay", ["off", "double"])
def test_this_campaign_notices_replay_switched_off_or_doubled(demo_settings, start_core, tmp_path, replay):
    """A judge that never objects is none."""

    def start(settings, side, **options):
        return start_core(settings, side, replay=replay, **options)

    try:
        tally = KillCampaign(demo_settings, start, tmp_path / "side.log", seed=2).run(6)
    except AssertionError as err:
        assert "core ended without" in str(err)  # noqa: PT017 - core itself may notice first
    else:
        assert tally.doubled or tally.fallen or tally.wrong


@pytest.mark.slow
@pytest.mark.parametrize("seed", [int(seed) for seed in os.environ.get("CAMPAIGN_SEEDS", "11").split(",")])
def test_five_hundred_kills_with_cut_files(demo_settings, start_core, tmp_path, seed):
    """The long form; CAMPAIGN_SEEDS=1,2,3 runs others."""
    tally = KillCampaign(demo_settings, start_core, tmp_path / "side.log", seed).run(500)
    print(
        f"{tally.kills} kills, cuts {tally.cuts} of {tally.cut_bytes / 1e6:.1f} MB, {tally.judged} starts judged, "
        f"{tally.losses} with something lost, slowest start {max(tally.starts_s):.2f} s"
    )
    judge(tally)
    assert tally.kills == 500
    assert min(tally.cuts.values()) > 100
    assert tally.losses > 20
