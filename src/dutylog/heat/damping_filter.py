"""The filters lost damping is judged by: what the body's temperature says about the heat, under rival assumptions.

One assumption (hypothesis) is that the heat proved bears the ratio to the work promised that it had in the
baseline; others, that it has been a fixed part less since some instant; one lets the ratio wander, for showing.
Each is held in three modes of how the air about the body behaves. shared/DAMPING.md has equations and reasons.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError
from dutylog.heat.damping_state import (
    BASE,
    BODY,
    CALM,
    DEFAULT_NOISE,
    EXTERNAL,
    GUST,
    LEARNED,
    LOSS,
    MODES,
    OIL,
    SCALE,
    SIZE,
    SLOW,
    TURNOVER,
    WINDY,
    Noise,
    Stride,
)
from dutylog.heat.damping_step import Flows, Way, carry, fill_slopes
from dutylog.heat.model import Capacities
from dutylog.heat.state import HeatState

Floats = NDArray[np.float64]

DIAGONAL = slice(None, None, SIZE + 1)
LEAST_CHANCE = 1e-6
GATE_SD = 6.0
"""A body temperature farther off than this in every mode of the baseline isn't believed (judgement)."""
AGAIN_SLOW_SD = 0.2
"""How far hA's lasting factor may have moved in time of which nothing is known (judgement)."""
LOUDER, QUIETER, MOST_SQUARE = 0.15, 0.10, 6.0
"""How fast the assumed noise follows that of calm strides, up and down, by stride; and the most one stride counts."""
QUIETEST, LOUDEST = 0.01, 2.0
"""Between which parts of its variance noise is assumed (judgement)."""
LIKENESS_STRIDES, MOST_INNOVATION = 100.0, 1.5
"""Over how many strides likeness of neighbouring innovations is followed, and the most one counts [sd]: a loss makes
some that are alike, and mustn't take itself for noise (judgement)."""
USUAL_LIKENESS, MOST_LIKENESS = 0.25, 0.4
"""Likeness at first, and the most that is allowed for (judgement; simulated weather brings 0.4 to 0.6)."""


class Bank:
    """Filters, hypotheses times MODES of them in a row k: means (k, SIZE), covariances (k, SIZE, SIZE).

    chances: (hypotheses, MODES) of each mode, by hypothesis. quiet: part of the assumed variance that noise has.
    """

    def __init__(self, nodes: Capacities, losses: tuple[float, ...], noise: Noise = DEFAULT_NOISE) -> None:
        """losses: logarithm of the ratio each hypothesis assumes, 0 for the baseline; one more is added that wanders.

        Raises:
            InputError: a heat capacity that isn't above 0.
        """
        if not (nodes.oil_j_per_k > 0.0 and nodes.body_j_per_k > 0.0):
            raise InputError(f"heat capacities {nodes.oil_j_per_k} and {nodes.body_j_per_k} J/K, expected above 0")
        self.nodes, self.noise, self.losses = nodes, noise, (*losses, 0.0)
        self.count = len(self.losses)
        k = self.count * MODES
        self.means = np.zeros((k, SIZE))
        self.covariances = np.zeros((k, SIZE, SIZE))
        self.chances = np.full((self.count, MODES), 1.0 / MODES)
        self.quiet = 1.0
        self._innovation, self._square, self._product = 0.0, 1.0, USUAL_LIKENESS
        self._turnover = np.array(TURNOVER)
        self._aims = np.repeat(self.losses, MODES)
        self._kept: dict[float, tuple[Floats, Floats, Floats]] = {}
        self._slopes = np.zeros((k, 2, SIZE))

    def rows(self, hypothesis: int) -> slice:
        """Return where a hypothesis' filters are."""
        return slice(hypothesis * MODES, (hypothesis + 1) * MODES)

    def moments(self, hypothesis: int, place: int) -> tuple[float, float]:
        """Return mean and variance of a state under a hypothesis, over its modes."""
        rows, w = self.rows(hypothesis), self.chances[hypothesis]
        x, v = self.means[rows, place], self.covariances[rows, place, place]
        mean = float(w @ x)
        return mean, float(w @ (v + (x - mean) ** 2))

    # -- start ----------------------------------------------------------------------------------

    def start(self, state: HeatState) -> None:
        """Begin with what the observer knows; its conductances may be off by as much as its heat was.

        Raises:
            InputError: the state doesn't hold the conductances.
        """
        n, laws = self.noise, state.laws
        if laws is None:
            raise InputError("damping output needs the conductances with the state")
        mean, sd = np.zeros(SIZE), np.zeros(SIZE)
        mean[[OIL, BODY]] = state.oil_c, state.body_c
        mean[EXTERNAL] = state.external_w
        mean[LEARNED] = np.log([laws.ha_rest_w_per_k, laws.ha_move, laws.g_still_w_per_k, laws.g_move_w_per_k_per_mps])
        sds = (laws.ha_rest_log_sd, laws.ha_move_log_sd, laws.g_still_log_sd, laws.g_move_log_sd)
        sd[LEARNED] = np.hypot(sds, n.start_log)
        sd[[EXTERNAL, SCALE, BASE, SLOW, GUST]] = n.external_w, n.scale, n.base, 0.1, 0.1
        covariance = np.diag(sd**2)
        covariance[:2, :2] = state.covariance_k2
        self.means[:], self.covariances[:] = mean, covariance
        self.chances[:] = 1.0 / MODES
        for hypothesis in range(1, self.count):
            self.copy(0, hypothesis)

    def copy(self, source: int, target: int) -> None:
        """Begin a hypothesis anew from another: all is as that one says, but the ratio."""
        a, b = self.rows(source), self.rows(target)
        self.means[b], self.covariances[b] = self.means[a], self.covariances[a]
        self.chances[target] = self.chances[source]
        self.means[b, LOSS] += self.losses[target] - self.losses[source]

    def show_from(self, source: int, target: int) -> None:
        """Begin the ratio that is shown anew at what a hypothesis assumes, as unsure as it is at most."""
        self.copy(source, target)
        rows = self.rows(target)
        self.means[rows, LOSS] += self.losses[source] - self.losses[target]
        self.covariances[rows, LOSS, LOSS] += self.noise.wander**2

    def find_again(self, state: HeatState) -> None:
        """Take the temperatures from the observer, after time of which nothing is known; what passes begins anew."""
        n, p = self.noise, self.covariances
        self.means[:, [OIL, BODY]] = state.oil_c, state.body_c
        self.means[:, [EXTERNAL, SCALE, GUST]] = 0.0
        for place, sd in ((OIL, 0.0), (BODY, 0.0), (EXTERNAL, n.external_w), (SCALE, n.scale), (GUST, 0.1)):
            p[:, place, :] = p[:, :, place] = 0.0
            p[:, place, place] = sd * sd
        p[:, :2, :2] = state.covariance_k2
        p[:, SLOW, SLOW] += AGAIN_SLOW_SD**2

    # -- a stride -------------------------------------------------------------------------------

    def take(self, stride: Stride, *, is_closed: bool, is_believed: bool = False) -> Floats | None:
        """Move on by a stride and take its body temperature in; return each hypothesis' log likelihood (h,).

        None without a body temperature, or with one out of reach, which isn't taken in. is_closed: the baseline
        learns no more; its uncertainty still counts. is_believed: a temperature out of reach is right, and
        what was foretold is wrong.
        """
        self._mix()
        foretold = self._predict(stride)
        if stride.body_c is None:
            return None
        square = (stride.body_c - foretold[:MODES]) ** 2
        # With all the noise that is assumed at most: a quiet hour must not shut out a louder one.
        reach = self.covariances[:MODES, BODY, BODY] + LOUDEST * self.noise.body_k**2
        if (square > GATE_SD**2 * reach).all():
            if not is_believed:
                return None
            self.covariances[:, [OIL, BODY], [OIL, BODY]] += float(square.min())
        return self._update(stride.body_c, foretold, is_closed=is_closed)

    def _mix(self) -> None:
        """Let modes turn over.

        Source: interacting multiple models, Blom and Bar-Shalom 1988, IEEE Trans. Autom. Control 33 (from memory).
        """
        joint = self.chances[:, :, None] * self._turnover
        after = joint.sum(axis=1)
        weights = (joint / after[:, None, :]).transpose(0, 2, 1)
        x = self.means.reshape(self.count, MODES, SIZE)
        # About one of them, so that squares of temperatures don't drown what differs.
        apart = x - x[:, :1]
        mixed = weights @ apart
        squares = self.covariances.reshape(self.count, MODES, SIZE * SIZE)
        squares = squares + (apart[..., :, None] * apart[..., None, :]).reshape(squares.shape)
        spread = weights @ squares
        spread -= (mixed[..., :, None] * mixed[..., None, :]).reshape(squares.shape)
        p = spread.reshape(-1, SIZE, SIZE)
        # Rounding mustn't make it lopsided; all that follows keeps it symmetric to the bit.
        self.covariances = 0.5 * (p + p.transpose(0, 2, 1))
        self.means = (mixed + x[:, :1]).reshape(-1, SIZE)
        self.chances = after

    def _predict(self, stride: Stride) -> Floats:
        """Move every filter on; return the body's mean over the stride that each foretells (k,)."""
        flows = Flows.of(self.means, stride)
        way = carry(self.nodes, self.means, flows, stride)
        f = self._slopes
        fill_slopes(f, self.nodes, flows, way, stride)
        keep, squared, added = self._disturb(stride.seconds)
        p: Floats = self.covariances
        top = f @ p
        corner = top @ f.transpose(0, 2, 1)
        cross = top[:, :, 2:] * keep[:, None, 2:]
        p = p * squared
        p[:, :2, 2:] = cross
        p[:, 2:, :2] = cross.transpose(0, 2, 1)
        p[:, 0, 0], p[:, 1, 1] = corner[:, 0, 0], corner[:, 1, 1]
        p[:, 0, 1] = p[:, 1, 0] = corner[:, 0, 1]
        p.reshape(len(p), SIZE * SIZE)[:, DIAGONAL] += added
        self._blur(p, flows, way, stride)
        self.covariances = p
        self.means = self.means * keep
        self.means[:, LOSS] += (1.0 - keep[:, LOSS]) * self._aims
        self.means[:, OIL], self.means[:, BODY] = way.oil, way.body
        return way.mean_body

    def _blur(self, p: Floats, flows: Flows, way: Way, stride: Stride) -> None:
        """Add to (k, SIZE, SIZE) what isn't sure: exchange, heat that isn't seen or held, air."""
        n, dt = self.noise, stride.seconds
        c_oil, c_body = self.nodes.oil_j_per_k, self.nodes.body_j_per_k
        crossed = dt * (way.middle_oil - way.middle_body)
        exchange = (stride.rms_doubt_mps * flows.stir) ** 2 + (n.exchange * flows.g) ** 2
        joule2 = self.quiet * exchange * (crossed * crossed)
        missing = (1.0 - stride.seen_ratio) * max(n.unseen_w, n.unseen_ratio * stride.mean_w)
        p[:, OIL, OIL] += (joule2 + (self.quiet * n.residual_w**2 + missing**2) * dt * dt) / c_oil**2
        p[:, BODY, BODY] += joule2 / c_body**2
        p[:, OIL, BODY] -= joule2 / (c_oil * c_body)
        p[:, BODY, OIL] = p[:, OIL, BODY]
        p[CALM::MODES, SLOW, SLOW] += self.quiet * n.slow[CALM] ** 2 * dt / 10.0
        p[WINDY::MODES, GUST, GUST] += stride.gust_sd**2 * (1.0 - math.exp(-2.0 * dt / n.gust_s))

    def _disturb(self, dt: float) -> tuple[Floats, Floats, Floats]:
        """Return how much of each stays (k, SIZE), products of it (k, SIZE, SIZE), variance that comes in (k, SIZE)."""
        if dt in self._kept:
            return self._kept[dt]
        n = self.noise
        keep, added = np.ones((self.count, MODES, SIZE)), np.zeros((self.count, MODES, SIZE))
        for place, rows, sd, time_s in (
            (EXTERNAL, slice(None), n.external_w, n.external_s),
            (SCALE, slice(None), n.scale, n.scale_s),
            (LOSS, slice(0, -1), n.drift, n.drift_s),
            (LOSS, slice(-1, None), n.wander, n.wander_s),
        ):
            keep[rows, :, place] = stays = math.exp(-dt / time_s)
            added[rows, :, place] = sd * sd * (1.0 - stays * stays)
        keep[..., GUST] = math.exp(-dt / n.gust_s)
        keep[..., SLOW] = math.exp(-0.5 * dt / 10.0 * (n.slow[CALM] / n.slow_most) ** 2)
        # What calm adds follows the noise that is heard, `_blur`.
        added[..., SLOW] = np.square((0.0, *n.slow[CALM + 1 :])) * dt / 10.0
        added[..., LEARNED] = n.learned_per_sqrt_h**2 * dt / 3600.0
        flat = keep.reshape(-1, SIZE)
        if len(self._kept) > 8:
            self._kept.clear()
        self._kept[dt] = flat, flat[:, :, None] * flat[:, None, :], added.reshape(-1, SIZE)
        return self._kept[dt]

    def _update(self, body_c: float, foretold: Floats, *, is_closed: bool) -> Floats:
        """Take a body temperature in; return (h,) log likelihoods.

        Source: Joseph's form for any gain, P - (g a' + a g') with a = row - s g / 2.
        """
        off = body_c - foretold
        row = self.covariances[:, BODY].copy()
        expected = row[:, BODY] + self.quiet * self.noise.body_k**2
        gain = row / expected[:, None]
        if is_closed:
            gain[:, BASE] = 0.0
        half = row - (0.5 * expected)[:, None] * gain
        cross = gain[:, :, None] * half[:, None, :]
        self.covariances -= cross + cross.transpose(0, 2, 1)
        self.means += gain * off[:, None]
        # All are weighed with the spread the baseline expects: who foretells less heat foretells less spread, and
        # would be believed for that alone.
        spread = np.tile(expected[:MODES], self.count)
        logs = (-0.5 * (off * off / spread + np.log(spread))).reshape(self.count, MODES)
        top = logs.max(axis=1, keepdims=True)
        parts = self.chances * np.exp(logs - top)
        total = parts.sum(axis=1, keepdims=True)
        centre = float(self.chances[0] @ off[:MODES])
        self._compare(centre / math.sqrt(float(self.chances[0] @ spread[:MODES])))
        self._listen(float(parts[0, CALM] / total[0, 0]), float(off[CALM] ** 2 / expected[CALM]))
        chances = np.maximum(parts / total, LEAST_CHANCE)
        self.chances = chances / chances.sum(axis=1, keepdims=True)
        return np.asarray((top + np.log(total))[:, 0])

    def _listen(self, calm_chance: float, square: float) -> None:
        """Follow how much noise there is of what is assumed, by how well calm strides are foretold."""
        rate = (LOUDER if square > 1.0 else QUIETER) * calm_chance
        self.quiet *= 1.0 + rate * (min(square, MOST_SQUARE) - 1.0)
        self.quiet = min(max(self.quiet, QUIETEST), LOUDEST)

    def _compare(self, innovation: float) -> None:
        """Follow how alike a stride's innovation (in standard deviations) is to that before it."""
        now = min(max(innovation, -MOST_INNOVATION), MOST_INNOVATION)
        self._square += (now * now - self._square) / LIKENESS_STRIDES
        self._product += (now * self._innovation - self._product) / LIKENESS_STRIDES
        self._innovation = now

    @property
    def trust(self) -> float:
        """Return how much of a log likelihood counts: innovations that follow one another say the same twice."""
        return 1.0 - min(max(self._product / self._square, 0.0), MOST_LIKENESS)

    # -- storage ----------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return means, covariances, chances and noise in JSON types, to the bit."""
        upper = np.triu_indices(SIZE)
        return {
            "means": self.means.tolist(),
            "covariances": [p[upper].tolist() for p in self.covariances],
            "chances": self.chances.tolist(),
            "quiet": self.quiet,
            "likeness": [self._innovation, self._square, self._product],
        }

    def read_dict(self, data: dict[str, Any]) -> None:
        """Take what `to_dict` gave.

        Raises:
            KeyError, TypeError, ValueError: it isn't that.
        """
        means, chances, upper = (np.array(data[name], np.float64) for name in ("means", "chances", "covariances"))
        shapes = (self.means.shape, self.chances.shape, (len(self.means), SIZE * (SIZE + 1) // 2))
        if (means.shape, chances.shape, upper.shape) != shapes:
            raise ValueError(f"filters of shape {means.shape}, {chances.shape}, {upper.shape}")
        self._innovation, self._square, self._product = (float(value) for value in data["likeness"])
        rows, columns = np.triu_indices(SIZE)
        self.means, self.chances, self.quiet = means, chances, float(data["quiet"])
        self.covariances[:, rows, columns] = self.covariances[:, columns, rows] = upper
