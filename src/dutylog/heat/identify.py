"""Learning of a damper's conductances: which tiles teach, the hypotheses that are held, and how sure one is.

A factor of 3 either way is too wide for one linearised filter: it would soon be sure of something false. So the
observer (heat/observer.py) starts with hypotheses, each narrow enough to be linearised, and here they are
split from the prior, weighed by how well they foretold the body's temperature, dropped and joined.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.heat_input import HeatInput
from dutylog.errors import InputError
from dutylog.heat.model import Capacities, Surroundings, Value, advance
from dutylog.heat.state import Laws

Floats = NDArray[np.float64]
Places = tuple[tuple[float, ...], tuple[float, ...], float]

OIL, BODY, AIR, EXTERNAL, SCALE, UNSEEN, WIND, HA_REST, HA_MOVE, G_STILL, G_MOVE = range(11)
"""Places in the state: oil, body, air [degC]; heat from elsewhere [W]; relative error of the heat; heat that wasn't
measured [W]; logarithm of hA's factor by wind; logarithms of the four conductances."""
SIZE = 11
LEARNED = slice(HA_REST, SIZE)

STOPPED_MPS = 0.5
"""A receiver of positions says up to this much on a vehicle at rest (judgement)."""
SMOOTH_W = 30.0
"""Below so much heat a mistake of a tenth in it is a few watts: time that teaches hA best (judgement)."""
LEAST_WEIGHT = 1e-3
"""A hypothesis less likely than this is dropped (judgement)."""
ALIKE_LOG = 0.25
"""Hypotheses whose conductances differ by less than a quarter are one. Measured: 0.15 and 1e-5 gain nothing."""
ONE: Places = ((0.0,), (1.0,), 1.0)
THREE: Places = ((-1.2, 0.0, 1.2), (0.2, 0.6, 0.2), 0.65)
SPLIT = (ONE, THREE, THREE, THREE)
"""Where each parameter's hypotheses lie [prior sd], their weights, and how wide each is [prior sd]; 27 in all.

Three have mean 0 and variance 0.4 * 1.2^2 + 0.65^2 = 0.9985 of the prior. hA at rest needs none: it shows only
at a stop, when the others are known.
"""
START_AIR_C, START_AIR_SD_K = 20.0, 15.0
"""Air where nobody ever measured it (judgement: the year's range)."""
NUDGE = 1e-4
"""Change of each state in the difference quotients; temperatures are linear in all but the logarithms."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviations and time constants of what isn't measured; reasons in shared/HEAT.md, all judgement.

    body_k: mean of a stride of the thermocouple against the lump. air_k: the same of the air; air_walk: how the
    air wanders. scale, scale_s: relative error of the heat. external_w, external_s: heat from elsewhere. wind,
    wind_s: logarithm of hA's factor. residual_w: heat that no curve holds. unseen_ratio, unseen_w, parked_w:
    error of heat assumed where travel isn't measured, relative, least, least at rest. unknown_speed,
    unknown_motion: logarithm of hA's and G's factor where speed or motion is unknown. drift_s: time constant of
    these. start_*: body where it isn't measured; oil against body, and by degree of body above air. gap_*: what
    may have happened in time of which nothing is known. learned_per_sqrt_h: how the conductances wander.
    """

    body_k: float = 0.1
    air_k: float = 0.5
    air_walk_k_per_sqrt_s: float = 0.05
    scale: float = 0.06
    scale_s: float = 3600.0
    external_w: float = 5.0
    external_s: float = 3600.0
    wind: float = 0.18
    wind_s: float = 60.0
    residual_w: float = 2.0
    unseen_ratio: float = 1.0
    unseen_w: float = 100.0
    parked_w: float = 10.0
    unknown_speed: float = 0.7
    unknown_motion: float = 0.4
    drift_s: float = 300.0
    start_body_k: float = 20.0
    start_oil_k: float = 1.0
    start_oil_ratio: float = 0.25
    gap_body_k: float = 25.0
    gap_body_s: float = 1800.0
    gap_oil_k: float = 8.0
    gap_oil_s: float = 300.0
    learned_per_sqrt_h: float = 0.03


DEFAULT_NOISE = Noise()


@dataclass(frozen=True, slots=True)
class Around:
    """What acts on the nodes: assumed heat [W], mean speed^0.8, rms of the shaft speed [m/s], and what is known."""

    power_w: float
    moved: float
    rms_mps: float
    rms_doubt_mps: float = 0.0
    seen_ratio: float = 1.0
    is_speed_known: bool = True
    is_motion_known: bool = True
    is_parked: bool = False


@dataclass(slots=True)
class Evidence:
    """Seconds that taught, by kind: at rest, driving with little heat, driving with heat; and those that didn't."""

    stopped_s: float = 0.0
    smooth_s: float = 0.0
    working_s: float = 0.0
    refused_s: float = 0.0
    frozen_s: float = 0.0

    @property
    def used_s(self) -> float:
        """Return all seconds that taught."""
        return self.stopped_s + self.smooth_s + self.working_s


class Learning:
    """Decides for each tile whether it teaches, and counts."""

    def __init__(self, prior: Laws) -> None:
        self.prior = prior
        self.prior_logs = (
            (math.log(prior.ha_rest_w_per_k), prior.ha_rest_log_sd),
            (math.log(prior.ha_move), prior.ha_move_log_sd),
            (math.log(prior.g_still_w_per_k), prior.g_still_log_sd),
            (math.log(prior.g_move_w_per_k_per_mps), prior.g_move_log_sd),
        )
        """Mean and standard deviation of the prior's natural logarithms, in the order of `Laws`."""
        self.evidence = Evidence()

    def take(self, tile: HeatInput, *, frozen: bool) -> bool:
        """Return whether a tile may teach the conductances, and count it.

        It must be whole and hold everything: heat over all of it, motion, body, air, speed. frozen: nothing
        may be learned, because damping output is being judged from the same heat.
        """
        if frozen:
            self.evidence.frozen_s += tile.seconds
            return False
        is_short = tile.measured_ratio < 1.0 or tile.rms_mps is None or tile.body_c is None or tile.air_c is None
        if is_short or tile.power_w is None or tile.speed_mps is None:
            self.evidence.refused_s += tile.seconds
            return False
        if tile.power_w >= SMOOTH_W:
            self.evidence.working_s += tile.seconds
        elif tile.speed_mps > STOPPED_MPS:
            self.evidence.smooth_s += tile.seconds
        else:
            self.evidence.stopped_s += tile.seconds
        return True

    def split(self) -> tuple[Floats, Floats, Floats]:
        """Return hypotheses that together are the prior: weights (k,), logarithms (k, 4), their variances (4,)."""
        logs = np.array(self.prior_logs)
        grid = np.array(list(itertools.product(*(places for places, _, _ in SPLIT))))
        shares = np.array(list(itertools.product(*(shares for _, shares, _ in SPLIT))))
        widths = np.array([width for _, _, width in SPLIT])
        return np.prod(shares, axis=1), logs[:, 0] + grid * logs[:, 1], (widths * logs[:, 1]) ** 2

    def to_dict(self) -> dict[str, Any]:
        """Return prior and evidence in JSON types."""
        return {"prior": asdict(self.prior), "evidence": asdict(self.evidence)}

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Learning:
        """Return what `to_dict` gave; InputError when it isn't that."""
        try:
            learning = Learning(Laws(**{f.name: float(data["prior"][f.name]) for f in fields(Laws)}))
            learning.evidence = Evidence(**{f.name: float(data["evidence"][f.name]) for f in fields(Evidence)})
        except (KeyError, TypeError, ValueError) as err:
            raise InputError(f"stored learning lacks or garbles {err}") from err
        return learning


@dataclass(slots=True)
class Hypotheses:
    """Gaussian hypotheses about a state: weights (k,) that sum to 1, means (k, SIZE), covariances (k, SIZE, SIZE)."""

    weights: Floats
    means: Floats
    covariances: Floats

    def moments(self) -> tuple[Floats, Floats]:
        """Return mean (SIZE,) and covariance (SIZE, SIZE) of all together."""
        if len(self.weights) == 1:
            return self.means[0], self.covariances[0]
        mean = self.weights @ self.means
        apart = self.means - mean
        spread = np.einsum("k,kij->ij", self.weights, apart[:, :, None] * apart[:, None, :])
        return mean, np.einsum("k,kij->ij", self.weights, self.covariances) + spread

    def put(self, place: int, value: float, sd: float) -> None:
        """Set a state in every hypothesis, apart from all others."""
        self.means[:, place] = value
        self.covariances[:, place, :] = self.covariances[:, :, place] = 0.0
        self.covariances[:, place, place] = sd * sd

    def limit(self, place: int, variance: float) -> None:
        """Hold a state's variance at or below this; correlations stay."""
        ratio = np.sqrt(np.minimum(1.0, variance / self.covariances[:, place, place]))
        self.covariances[:, place, :] *= ratio[:, None]
        self.covariances[:, :, place] *= ratio[:, None]

    def predict(self, nodes: Capacities, around: Around, seconds: float, keep: Floats, added: Floats) -> None:
        """Move every hypothesis on while nothing outside changes.

        keep, added: (SIZE,) how much of each state's deviation stays, and the variance that comes in.

        Source:
            Mean: exact, heat/model.py. Covariance: F P F' + Q, F by difference quotients of the same exact
            step; disturbances are first-order Gauss-Markov processes, the conductances random walks.
        """
        points = np.repeat(self.means[:, None, :], SIZE + 1, axis=1)
        points[:, range(1, SIZE + 1), range(SIZE)] += NUDGE
        oil, body = _advance(nodes, points, around, seconds)
        f = np.zeros((len(points), SIZE, SIZE))
        f[:, range(SIZE), range(SIZE)] = keep
        f[:, OIL] = (oil[:, 1:] - oil[:, :1]) / NUDGE
        f[:, BODY] = (body[:, 1:] - body[:, :1]) / NUDGE
        p = f @ self.covariances @ f.transpose(0, 2, 1)
        p[:, range(SIZE), range(SIZE)] += added
        # Rounding mustn't make it lopsided.
        self.covariances = 0.5 * (p + p.transpose(0, 2, 1))
        self.means = self.means * keep
        self.means[:, OIL], self.means[:, BODY] = oil[:, 0], body[:, 0]

    def blur_exchange(self, nodes: Capacities, around: Around, seconds: float, noise: Noise) -> None:
        """Add what isn't sure of the exchange between oil and body: how soon it follows motion, and unknown motion."""
        x, p = self.means, self.covariances
        apart, stir = x[:, OIL] - x[:, BODY], np.exp(x[:, G_MOVE])
        joule2 = (around.rms_doubt_mps * seconds * stir * apart) ** 2
        if not around.is_motion_known:
            g = np.exp(x[:, G_STILL]) + stir * around.rms_mps
            joule2 += (noise.unknown_motion * g * apart) ** 2 * 2.0 * noise.drift_s * seconds
        p[:, OIL, OIL] += joule2 / nodes.oil_j_per_k**2
        p[:, BODY, BODY] += joule2 / nodes.body_j_per_k**2
        p[:, OIL, BODY] -= joule2 / (nodes.oil_j_per_k * nodes.body_j_per_k)
        p[:, BODY, OIL] = p[:, OIL, BODY]

    def update(self, place: int, measured: Value, variance: float, *, learns: bool) -> tuple[float, float]:
        """Take one measured state into every hypothesis; return how far it was off, and the variance expected.

        measured: a number, or (k,) where it depends on the hypothesis. learns: whether the conductances and
        the weights of the hypotheses follow.

        Source:
            Joseph's form, which holds for any gain; where nothing may be learned the conductances' gain is 0
            and their uncertainty still counts (Schmidt's "considered" parameters).
        """
        row = self.covariances[:, place].copy()
        expected = row[:, place] + variance
        gain = row / expected[:, None]
        if not learns:
            gain[:, LEARNED] = 0.0
        off = measured - self.means[:, place]
        mean = float(self.weights @ off)
        innovation = mean, float(self.weights @ (expected + (off - mean) ** 2))
        cross = gain[:, :, None] * row[:, None, :]
        # In this order of factors the matrices stay symmetric to the bit.
        joseph = expected[:, None, None] * (gain[:, :, None] * gain[:, None, :])
        self.covariances = self.covariances - (cross + cross.transpose(0, 2, 1)) + joseph
        self.means = self.means + gain * off[:, None]
        if learns:
            self._weigh(off, expected)
        return innovation

    def _weigh(self, off: Floats, variance: Floats) -> None:
        """Weigh each by how likely a measurement was that lay `off` from what it foretold, with this variance."""
        if len(self.weights) == 1:
            return
        logs = np.log(self.weights) - 0.5 * (off * off / variance + np.log(variance))
        weights = np.exp(logs - logs.max())
        # A hypothesis that gets no weight at all goes the same way as one that gets next to none.
        weights = np.maximum(weights / weights.sum(), 1e-12)
        self.weights = weights / weights.sum()

    def thin_out(self) -> None:
        """Drop what is unlikely and join those whose conductances are alike."""
        if len(self.weights) == 1:
            return
        kept = self.weights > LEAST_WEIGHT
        if not kept.all():
            self.weights = self.weights[kept] / self.weights[kept].sum()
            self.means, self.covariances = self.means[kept], self.covariances[kept]
        left = np.argsort(-self.weights, kind="stable")
        groups: list[NDArray[np.intp]] = []
        while len(left):
            apart = np.abs(self.means[left][:, LEARNED] - self.means[left[0]][LEARNED])
            alike = (apart < ALIKE_LOG).all(axis=1)
            groups.append(left[alike])
            left = left[~alike]
        if len(groups) < len(self.weights):
            self._join(groups)

    def _join(self, groups: list[NDArray[np.intp]]) -> None:
        joined = []
        for group in groups:
            weight = float(self.weights[group].sum())
            part = Hypotheses(self.weights[group] / weight, self.means[group], self.covariances[group])
            joined.append((weight, *part.moments()))
        weights, means, covariances = zip(*joined, strict=True)
        self.weights, self.means, self.covariances = np.array(weights), np.array(means), np.array(covariances)


def _advance(nodes: Capacities, points: Floats, around: Around, seconds: float) -> tuple[Floats, Floats]:
    """Return oil and body [degC] of states (k, m, SIZE) after unchanged surroundings."""
    rest, move, still, stir = (np.exp(points[..., place]) for place in range(HA_REST, SIZE))
    surroundings = Surroundings(
        around.power_w * (1.0 + points[..., SCALE]) + points[..., UNSEEN],
        still + stir * around.rms_mps,
        (rest + move * around.moved) * np.exp(points[..., WIND]),
        points[..., AIR],
        points[..., EXTERNAL],
    )
    return advance(nodes, surroundings, points[..., OIL], points[..., BODY], seconds)
