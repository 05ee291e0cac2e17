"""What damping output's filters are made of, against the two nodes themselves."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from dutylog.errors import InputError
from dutylog.heat.damping_filter import Bank
from dutylog.heat.damping_state import BASE, BODY, EXTERNAL, LOSS, MODES, OIL, SIZE, Stride
from dutylog.heat.damping_step import Flows, carry, fill_slopes
from dutylog.heat.model import Capacities, Surroundings, advance
from dutylog.heat.state import HeatState, Laws

NODES = Capacities(2450.0, 1650.0)
LAWS = Laws(1.3, 0.55, 12.0, 34.0, 0.1, 0.1, 0.1, 0.1)
STATE = HeatState(75.0, 62.0, ((0.5, 0.1), (0.1, 0.02)), 5.0, 0.1, 20.0, 0.1, 4.0, 5.0, 22.0, laws=LAWS)
STRIDE = Stride(5.0, (520.0, 520.0), (0.3, 0.3), 0.01, 12.0**0.8, 1.0, 22.0, 62.4)
LOSSES = (0.0, math.log(0.85), math.log(0.7))


def started() -> Bank:
    bank = Bank(NODES, LOSSES)
    bank.start(STATE)
    return bank


def test_a_stride_of_even_heat_is_the_two_nodes():
    bank = started()
    flows = Flows.of(bank.means, STRIDE)
    way = carry(NODES, bank.means, flows, STRIDE)
    around = Surroundings(520.0 * flows.scale, LAWS.g_w_per_k(0.3), LAWS.ha_w_per_k(12.0), 22.0, 4.0)
    oil, body = advance(NODES, around, bank.means[:, OIL], bank.means[:, BODY], 10.0)
    assert np.allclose(way.oil, oil, atol=1e-9)
    assert np.allclose(way.body, body, atol=1e-9)


def test_heat_that_comes_in_one_half_is_carried_on_half_by_half():
    """Against a hundred steps of the two nodes, for a stride that is as uneven as they get. Measured: ends within
    0.01 K, mean within 0.032 K: exchange that differs by half is only a source, the mean Simpson's."""
    bank = started()
    uneven = replace(STRIDE, power_w=(1000.0, 40.0), rms_mps=(0.4, 0.1))
    flows = Flows.of(bank.means, uneven)
    way = carry(NODES, bank.means, flows, uneven)
    oil, body = bank.means[:, OIL], bank.means[:, BODY]
    bodies = [body]
    for power, rms in zip(uneven.power_w, uneven.rms_mps, strict=True):
        for _ in range(50):
            around = Surroundings(power * flows.scale, LAWS.g_w_per_k(rms), LAWS.ha_w_per_k(12.0), 22.0, 4.0)
            oil, body = advance(NODES, around, oil, body, 0.1)
            bodies.append(body)
    assert np.allclose(way.oil, oil, atol=0.02)
    assert np.allclose(way.body, body, atol=0.02)
    assert np.allclose(way.mean_body, np.mean(bodies, axis=0), atol=0.04)


def test_slopes_are_those_of_difference_quotients():
    """Midpoint rule against quotients of the carried step: within 1 % of a slope, and 3 mK for a factor of e in what
    acts, where the body's answer within a stride is only beginning."""
    bank = started()
    x = bank.means[:1]
    f = np.zeros((1, 2, SIZE))
    flows = Flows.of(x, STRIDE)
    fill_slopes(f, NODES, flows, carry(NODES, x, flows, STRIDE), STRIDE)
    for place in range(SIZE):
        nudge = 1e-4
        ends = []
        for sign in (1.0, -1.0):
            moved = x.copy()
            moved[:, place] += sign * nudge
            way = carry(NODES, moved, Flows.of(moved, STRIDE), STRIDE)
            ends.append(np.array([way.oil[0], way.body[0]]))
        quotient = (ends[0] - ends[1]) / (2.0 * nudge)
        allowed = 1e-5 if place == EXTERNAL else 3e-3
        assert np.allclose(f[0, :, place], quotient, rtol=0.01, atol=allowed), place


def drive(bank: Bank, strides: int, seed: int = 1) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(strides):
        power = 400.0 * (1.0 + 0.3 * rng.standard_normal(2))
        body = float(bank.means[0, BODY] + rng.normal(0.1, 0.1))
        bank.take(replace(STRIDE, power_w=tuple(np.abs(power)), body_c=body), is_closed=False)


def test_covariances_stay_symmetric_to_the_bit_and_positive():
    bank = started()
    drive(bank, 300)
    assert (bank.covariances == bank.covariances.transpose(0, 2, 1)).all()
    assert np.linalg.eigvalsh(bank.covariances).min() > -1e-9
    assert np.allclose(bank.chances.sum(axis=1), 1.0)


def test_filters_go_on_to_the_bit_from_what_is_stored():
    bank = started()
    drive(bank, 40)
    again = Bank(NODES, LOSSES)
    again.read_dict(json.loads(json.dumps(bank.to_dict(), allow_nan=False)))
    drive(bank, 40, seed=2)
    drive(again, 40, seed=2)
    assert (bank.means == again.means).all()
    assert (bank.covariances == again.covariances).all()
    assert (bank.chances == again.chances).all()


def test_hypotheses_begun_anew_differ_by_their_ratio_alone():
    bank = started()
    drive(bank, 40)
    bank.copy(0, 2)
    apart = bank.means[bank.rows(2)] - bank.means[bank.rows(0)]
    assert np.allclose(apart[:, LOSS], math.log(0.7))
    apart[:, LOSS] = 0.0
    assert (apart == 0.0).all()


def test_a_body_out_of_reach_is_refused_until_it_is_believed():
    bank = started()
    drive(bank, 40)
    far = replace(STRIDE, body_c=float(bank.means[0, BODY]) + 300.0)
    assert bank.take(far, is_closed=False) is None
    assert bank.means[:MODES, BODY].max() < 100.0
    assert bank.take(far, is_closed=False, is_believed=True) is not None
    assert bank.means[:MODES, BODY].min() > 250.0


def test_a_closed_baseline_learns_no_more():
    bank = started()
    before = bank.moments(0, BASE)
    bank.take(replace(STRIDE, body_c=63.5), is_closed=True)
    assert bank.moments(0, BASE)[0] == before[0]
    bank.take(replace(STRIDE, body_c=64.5), is_closed=False)
    assert bank.moments(0, BASE)[0] != before[0]


def test_capacities_and_states_that_cannot_serve_are_refused():
    with pytest.raises(InputError, match="above 0"):
        Bank(Capacities(0.0, 100.0), LOSSES)
    with pytest.raises(InputError, match="conductances"):
        Bank(NODES, LOSSES).start(replace(STATE, laws=None))
