"""The duty of the last minutes: what its mean is worth, what a hole or a new surface does to it, and its storage."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from dutylog.domain.heat_input import HeatInput
from dutylog.errors import InputError
from dutylog.heat.recent import BLOCK_S, LEAST_S, WINDOW_S, Duty, Recent


def tile(power_w, seconds=1.0, measured=1.0, speed_mps=10.0):
    return HeatInput(seconds, power_w, measured, None if power_w is None else 0.3, 60.0, 25.0, speed_mps)


def follow(powers_w, **more):
    recent = Recent()
    for power_w in powers_w:
        recent.add(tile(power_w, **more))
    return recent


def wander(mean_w, spread, forget_s, seconds, rng):
    """Return log-normal power of an autoregression, one value a second, for many runs: (seconds, runs)."""
    keep, sd = math.exp(-1.0 / forget_s), math.sqrt(math.log1p(spread * spread))
    level = rng.standard_normal(500)
    rows = []
    for _ in range(seconds):
        level = keep * level + math.sqrt(1.0 - keep * keep) * rng.standard_normal(500)
        rows.append(mean_w * np.exp(sd * level - 0.5 * sd * sd))
    return np.array(rows)


def test_the_mean_is_that_of_the_last_minutes_alone():
    """Five minutes at 300 W count, what was before doesn't; the window is known to the second within one block."""
    duty = follow([340.0] * 400 + [300.0] * round(WINDOW_S + BLOCK_S)).duty()
    assert duty.power_w == pytest.approx(300.0, rel=1e-12)
    assert WINDOW_S <= duty.measured_s < WINDOW_S + BLOCK_S
    assert (duty.rms_mps, duty.speed_mps, duty.body_c) == pytest.approx((0.3, 10.0, 60.0), rel=1e-12)


def test_too_little_measured_gives_no_duty():
    assert follow([300.0] * round(LEAST_S - 1)).duty() is None
    assert follow([300.0] * round(LEAST_S)).duty() is not None
    assert follow([None] * 300).duty() is None


def test_a_hole_takes_part_in_no_mean():
    """Unmeasured time is never heat of zero: the mean stands on less, and says so."""
    duty = follow([300.0] * 100 + [None] * 100 + [300.0] * 100).duty()
    assert duty.power_w == pytest.approx(300.0, rel=1e-12)
    assert duty.measured_s == pytest.approx(200.0)


def test_partly_measured_tiles_weigh_what_was_measured_of_them():
    recent = Recent()
    for number in range(300):
        recent.add(tile(400.0, measured=1.0) if number % 2 else tile(100.0, measured=0.5))
    duty = recent.duty()
    assert duty.power_w == pytest.approx((400.0 + 0.5 * 100.0) / 1.5, rel=1e-9)
    assert duty.measured_s == pytest.approx(225.0)


def test_unknown_speed_stays_unknown():
    assert follow([300.0] * 300, speed_mps=None).duty().speed_mps is None
    assert follow([300.0] * 300, speed_mps=None).duty().pairs == ()


@pytest.mark.parametrize(("before_w", "after_w"), [(8.0, 600.0), (600.0, 8.0), (200.0, 700.0)])
def test_a_new_surface_starts_the_duty_anew_within_90_s(before_w, after_w):
    """Else the first minutes after a smooth road would be forecast from a mean of both."""
    rng = np.random.default_rng(3)
    shape = wander(1.0, 0.3, 3.0, 400, rng)[:, 0]
    duty = follow([*(before_w * shape[:300]), *(after_w * shape[300:390])]).duty()
    assert duty.power_w == pytest.approx(after_w, rel=0.15)
    assert duty.measured_s == pytest.approx(90.0, abs=20.0)


def test_a_steady_surface_keeps_its_whole_window():
    rng = np.random.default_rng(4)
    powers = wander(500.0, 0.4, 8.0, 300, rng)
    assert sum(follow(powers[:, run]).duty().measured_s < 299.0 for run in range(200)) <= 4


@pytest.mark.parametrize("spread", [0.15, 0.3, 0.5])
@pytest.mark.parametrize("forget_s", [3.0, 10.0, 25.0])
def test_the_sd_of_the_mean_is_right_for_power_that_wanders(spread, forget_s):
    """The range of 1.28 sd about the mean holds the true mean in 72 to 92 of 100 runs, 500 runs each (sd 1.8 %).

    The true range is 80; an sd found from five minutes of correlated values can't be sharper, see FORECAST.md.
    """
    powers = wander(500.0, spread, forget_s, 300, np.random.default_rng(round(100 * spread + forget_s)))
    duties = [follow(powers[:, run]).duty() for run in range(powers.shape[1])]
    held = [abs(d.power_w - 500.0) < 1.2816 * math.sqrt(d.density_w2_s / d.measured_s) for d in duties]
    assert 0.72 <= np.mean(held) <= 0.92


def test_stored_and_restored_it_goes_on_exactly():
    rng = np.random.default_rng(5)
    powers = wander(500.0, 0.4, 8.0, 700, rng)[:, 0]
    through = follow(powers)
    for cut in (0, 1, 29, 314, 699):
        recent = Recent.from_dict(json.loads(json.dumps(follow(powers[:cut]).to_dict())))
        for power_w in powers[cut:]:
            recent.add(tile(power_w))
        assert recent.to_dict() == through.to_dict()
        assert recent.duty() == through.duty()


@pytest.mark.parametrize(
    "data", [{}, {"schema": 2}, {"schema": 1, "closed": [[1.0]]}, {"schema": 1, "closed": [["x"]]}]
)
def test_a_garbled_state_is_refused(data):
    with pytest.raises(InputError):
        Recent.from_dict(data)


def test_an_impossible_duty_is_refused():
    with pytest.raises(InputError, match="above 0"):
        Duty(0.0, 100.0, 1.0, None, None, None)
