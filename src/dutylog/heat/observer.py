"""Oil temperature of a damper with its uncertainty, from the heat made in it and the body's temperature.

A bank of Kalman filters, each linearised about its own conductances, over oil and body, what acts on them and
isn't measured, and the logarithms of the conductances. Tiles are gathered to strides of 10 s; between their
ends the temperatures are carried on by the two nodes alone. shared/HEAT.md has equations, noise and what
happens without each input.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.heat_input import HeatInput
from dutylog.errors import InputError
from dutylog.heat.identify import (
    AIR,
    BODY,
    DEFAULT_NOISE,
    EXTERNAL,
    G_MOVE,
    G_STILL,
    HA_MOVE,
    HA_REST,
    LEARNED,
    OIL,
    SCALE,
    SIZE,
    START_AIR_C,
    START_AIR_SD_K,
    STOPPED_MPS,
    UNSEEN,
    WIND,
    Around,
    Evidence,
    Hypotheses,
    Learning,
    Noise,
)
from dutylog.heat.model import Capacities
from dutylog.heat.state import MOVE_EXPONENT, HeatState, Laws

Floats = NDArray[np.float64]

STRIDE_S = 10.0
"""Tiles gathered before the filter takes them: short against the fastest time constant, 30 to 150 s (judgement)."""
MOTION_WINDOWS_S = (2.5, 5.0)
"""Time constants with which exchange between oil and body may follow the shaft's motion (judgement: a few strokes).
Their mean is taken, half their difference counts as uncertain: a stop after hard driving moves a kilojoule."""
GATE_SD = 5.0
"""A body temperature farther off than this many standard deviations isn't believed (judgement)."""
READMIT_TILES = 20
"""After so many refused in a row the sensor is believed and the estimate is not (judgement)."""
UNKNOWN_MPS = 6.0
"""Speed assumed for hA where it is unknown: near the geometric middle of hA between 0 and 30 m/s."""
RECENT_POWER_S = 300.0
"""Mean heat of so long stands in where travel isn't measured (judgement)."""
START_POWER_W = 150.0
"""And this where it wasn't yet (judgement: a damper on a rough road makes a few hundred watts, on a street ten)."""


@dataclass(slots=True)
class _Stride:
    """Tiles gathered since the filter last moved; sums over seconds.

    kind: what was known, the same for all. oil_c, body_c: where the stride began.
    """

    kind: tuple[bool, ...] = ()
    seconds: float = 0.0
    joule: float = 0.0
    seen_s: float = 0.0
    moved_s: float = 0.0
    rms_s: float = 0.0
    doubt_s: float = 0.0
    air_s: float = 0.0
    body_s: float = 0.0
    body_off_s: float = 0.0
    oil_c: float = 0.0
    body_c: float = 0.0


class HeatObserver:
    """Follows one damper, a tile at a time."""

    def __init__(self, nodes: Capacities, prior: Laws, noise: Noise = DEFAULT_NOISE) -> None:
        self._oil_j, self._body_j = float(nodes.oil_j_per_k), float(nodes.body_j_per_k)
        self._nodes = Capacities(self._oil_j, self._body_j)
        if not (self._oil_j > 0.0 and self._body_j > 0.0):
            raise InputError(f"heat capacities {nodes.oil_j_per_k} and {nodes.body_j_per_k} J/K, expected above 0")
        self.noise = noise
        self.learning = Learning(prior)
        self._bank = Hypotheses(np.ones(1), np.zeros((1, SIZE)), np.zeros((1, SIZE, SIZE)))
        self._mean = [0.0] * SIZE
        self._covariance: list[list[float]] = []
        self._laws, self._wind = prior, 1.0
        self._stride = _Stride()
        self._now = (0.0, 0.0, 0.0)
        self._started = False
        self._mean_squares = (0.0, 0.0)
        self._recent_w = START_POWER_W
        self._refused_row = 0
        self.refused_count = 0
        self.readmitted_count = 0
        self.innovation: tuple[float, float] | None = None
        """Of the last stride: how far the body was from what was foretold [K], and the variance expected [K2]."""
        self._split()

    # -- learning -----------------------------------------------------------------------------

    def _split(self) -> None:
        """Hold the prior's hypotheses about the conductances; all agree on the rest of the state."""
        mean, covariance = self._bank.moments()
        weights, logs, variances = self.learning.split()
        means = np.repeat(mean[None], len(weights), axis=0)
        means[:, LEARNED] = logs
        covariance = covariance.copy()
        covariance[LEARNED, :] = covariance[:, LEARNED] = 0.0
        covariance[LEARNED, LEARNED] = np.diag(variances)
        self._bank = Hypotheses(weights, means, np.repeat(covariance[None], len(weights), axis=0))
        self._show()

    def reset_learning(self) -> None:
        """Go back to the prior's conductances; temperatures stay."""
        self._close()
        self.learning.evidence = Evidence()
        self._split()

    def laws(self) -> Laws:
        """Return the conductances as known now: medians, and how sure each is."""
        return self._laws

    # -- a tile -------------------------------------------------------------------------------

    @property
    def oil_c(self) -> float:
        """Return the oil's temperature after the last tile [degC]; `state` has more and costs more."""
        return self._mean[OIL]

    @property
    def body_c(self) -> float:
        """Return the body's temperature after the last tile [degC]."""
        return self._mean[BODY]

    @property
    def oil_sd_k(self) -> float:
        """Return the standard deviation of the oil's temperature [K], as `state` has it."""
        return self._sd(OIL)

    def step(self, tile: HeatInput, *, frozen: bool = False) -> HeatState:
        """Take a tile and return the state at its end; see `take`."""
        self.take(tile, frozen=frozen)
        return self.state()

    def take(self, tile: HeatInput, *, frozen: bool = False) -> None:
        """Take a tile.

        frozen: the conductances don't learn from it; their uncertainty still counts.
        """
        if not self._started:
            self._start(tile)
        learns = self.learning.take(tile, frozen=frozen)
        seen = tile.measured_ratio if tile.power_w is not None else 0.0
        kind = (
            bool(seen > 0.0),
            bool(seen == 1.0),
            tile.speed_mps is not None,
            tile.rms_mps is not None,
            tile.air_c is not None,
            learns,
        )
        if kind != self._stride.kind:
            self._close()
            self._begin(kind, tile)
        self._gather(tile, seen)
        if self._stride.seconds >= STRIDE_S - 1e-6:
            self._close()

    def _begin(self, kind: tuple[bool, ...], tile: HeatInput) -> None:
        """Start a stride of which something else is known; what stands in for it is as unsure as it gets at once."""
        was_seen, _, was_speed_known, *_ = self._stride.kind or (True, True, True)
        self._stride = _Stride(kind)
        is_seen, _, is_speed_known, *_ = kind
        if is_speed_known != was_speed_known:
            self._bank.put(WIND, 0.0, self.noise.wind if is_speed_known else self.noise.unknown_speed)
        if is_seen != was_seen:
            is_parked = tile.speed_mps is not None and tile.speed_mps < STOPPED_MPS
            power, seen = 0.0 if is_parked else self._recent_w, float(is_seen)
            around = Around(power, 0.0, 0.0, seen_ratio=seen, is_parked=is_parked)
            self._bank.put(UNSEEN, 0.0, self._unseen_sd_w(around))
        self._show()

    def _gather(self, tile: HeatInput, seen: float) -> None:
        """Add a tile to the stride and carry the temperatures on through it."""
        s, dt, x = self._stride, tile.seconds, self._mean
        speed = UNKNOWN_MPS if tile.speed_mps is None else max(tile.speed_mps, 0.0)
        moved = speed**MOVE_EXPONENT
        if tile.rms_mps is not None:
            self._mean_squares = _follow(self._mean_squares, tile.rms_mps**2, dt)
        quick, slow = math.sqrt(self._mean_squares[0]), math.sqrt(self._mean_squares[1])
        rms = 0.5 * (quick + slow)
        power = tile.power_w
        if power is None or seen == 0.0:
            power = 0.0 if tile.speed_mps is not None and speed < STOPPED_MPS else self._recent_w
        else:
            self._recent_w += -math.expm1(-seen * dt / RECENT_POWER_S) * (power - self._recent_w)
        s.joule += power * dt
        s.seen_s += seen * dt
        s.moved_s += moved * dt
        s.rms_s += rms * dt
        s.doubt_s += 0.5 * (slow - quick) * dt
        s.air_s += (tile.air_c or 0.0) * dt
        self._now = power, moved, rms
        before_c = x[BODY]
        if s.seconds == 0.0:
            s.oil_c, s.body_c = x[OIL], before_c
        self._carry(x, power, moved, rms, dt)
        if tile.body_c is not None:
            # The mean over a tile lies half a tile back.
            self._judge_body(tile.body_c, 0.5 * (before_c + x[BODY]), dt)
        s.seconds += dt

    def _carry(self, x: list[float], power_w: float, moved: float, rms_mps: float, dt: float) -> None:
        """Carry oil and body of a state on, all else held; the algebra of heat/model.py in plain floats.

        x: what it says of the conductances is what `_show` made of it.
        """
        laws, oil_j, body_j = self._laws, self._oil_j, self._body_j
        ha = (laws.ha_rest_w_per_k + laws.ha_move * moved) * self._wind
        g = laws.g_still_w_per_k + laws.g_move_w_per_k_per_mps * rms_mps
        power = power_w * (1.0 + x[SCALE]) + x[UNSEEN]
        body_end = x[AIR] + (power + x[EXTERNAL]) / ha
        oil_end = body_end + power / g
        out, back, loss = g / oil_j, g / body_j, ha / body_j
        half = -0.5 * (out + back + loss)
        root = math.sqrt(half * half - out * loss)
        slow, fast = math.exp((half + root) * dt), math.exp((half - root) * dt)
        middle, slope = 0.5 * (slow + fast), 0.5 * (slow - fast) / root
        d_oil, d_body = x[OIL] - oil_end, x[BODY] - body_end
        x[OIL] = oil_end + (middle + slope * (-out - half)) * d_oil + slope * out * d_body
        x[BODY] = body_end + slope * back * d_oil + (middle + slope * (-back - loss - half)) * d_body

    def _judge_body(self, body_c: float, foretold_c: float, dt: float) -> None:
        """Count a body temperature in, or refuse it."""
        off2 = (body_c - foretold_c) ** 2
        noise_k2 = self.noise.body_k**2
        expected = self._covariance[BODY][BODY] + noise_k2
        # A tile has more noise than the mean of a stride, at most as much more as white noise would.
        if off2 > GATE_SD**2 * (expected + noise_k2 * (STRIDE_S / dt - 1.0)):
            self.refused_count += 1
            self._refused_row += 1
            if self._refused_row < READMIT_TILES:
                return
            self.readmitted_count += 1
            self._stride.body_s = self._stride.body_off_s = 0.0
            self._bank.covariances[:, :2, :2] += off2
        self._refused_row = 0
        self._stride.body_s += dt
        self._stride.body_off_s += (body_c - foretold_c) * dt

    # -- what is known ------------------------------------------------------------------------

    def state(self) -> HeatState:
        """Return what is known now; covariances are those of the last stride's end.

        Raises:
            InputError: no tile came yet.
        """
        if not self._started:
            raise InputError("heat asked for before the first tile")
        x, p, laws = self._mean, self._covariance, self._laws
        _, moved, rms_mps = self._now
        rest, move = laws.ha_rest_w_per_k, laws.ha_move * moved
        still, stir = laws.g_still_w_per_k, laws.g_move_w_per_k_per_mps * rms_mps
        ha, g = rest + move, still + stir
        a, b = rest / ha, move / ha
        ha_variance = a * a * p[HA_REST][HA_REST] + b * b * p[HA_MOVE][HA_MOVE] + p[WIND][WIND]
        ha_variance += 2.0 * (a * b * p[HA_REST][HA_MOVE] + a * p[HA_REST][WIND] + b * p[HA_MOVE][WIND])
        c, d = still / g, stir / g
        g_variance = c * c * p[G_STILL][G_STILL] + d * d * p[G_MOVE][G_MOVE] + 2.0 * c * d * p[G_STILL][G_MOVE]
        return HeatState(
            oil_c=x[OIL],
            body_c=x[BODY],
            covariance_k2=((p[OIL][OIL], p[OIL][BODY]), (p[BODY][OIL], p[BODY][BODY])),
            ha_w_per_k=ha * self._wind,
            ha_log_sd=math.sqrt(max(ha_variance, 0.0)),
            g_w_per_k=g,
            g_log_sd=math.sqrt(max(g_variance, 0.0)),
            external_w=x[EXTERNAL],
            external_sd_w=self._sd(EXTERNAL),
            air_c=x[AIR],
            air_sd_k=self._sd(AIR),
            laws=laws,
            heat_error=x[SCALE],
        )

    def _sd(self, place: int) -> float:
        return math.sqrt(max(self._covariance[place][place], 0.0))

    def _show(self) -> None:
        mean, covariance = self._bank.moments()
        self._mean, self._covariance = mean.tolist(), covariance.tolist()
        values = (math.exp(x) for x in self._mean[LEARNED])
        self._laws = Laws(*values, *(self._sd(place) for place in range(HA_REST, SIZE)))
        self._wind = math.exp(self._mean[WIND])

    # -- start, gaps --------------------------------------------------------------------------

    def _start(self, tile: HeatInput) -> None:
        """Begin with what the first tile holds: a body as measured or as warm as the air, oil near it."""
        n = self.noise
        air = START_AIR_C if tile.air_c is None else tile.air_c
        body = air if tile.body_c is None else tile.body_c
        apart = n.start_oil_k + n.start_oil_ratio * (n.start_body_k if tile.body_c is None else abs(body - air))
        self._bank.put(AIR, air, n.air_k if tile.air_c is not None else START_AIR_SD_K)
        sd = n.body_k if tile.body_c is not None else n.start_body_k
        self._bank.put(BODY, body, sd)
        self._bank.put(OIL, body, math.hypot(sd, apart))
        self._bank.covariances[:, OIL, BODY] = self._bank.covariances[:, BODY, OIL] = sd * sd
        self._bank.put(EXTERNAL, 0.0, n.external_w)
        self._settle()
        self._started = True
        self._show()

    def _settle(self) -> None:
        """Begin the disturbances anew: nothing of them known but how large they get."""
        n = self.noise
        for place, sd in ((SCALE, n.scale), (UNSEEN, n.residual_w), (WIND, n.wind)):
            self._bank.put(place, 0.0, sd)

    def skip(self, seconds: float) -> None:
        """Let time pass of which nothing is known: parked, driven, or both.

        Temperatures go as they would while parked; uncertainty grows by the time, at most to that of a start.

        Raises:
            InputError: time that runs backwards.
        """
        if not seconds >= 0.0:
            raise InputError(f"a gap of {seconds} s, expected 0 or more")
        if not self._started or seconds == 0.0:
            return
        n = self.noise
        self._close()
        self._mean_squares, self._recent_w = (0.0, 0.0), START_POWER_W
        self._now = (0.0, 0.0, 0.0)
        self._settle()
        self._predict(Around(0.0, 0.0, 0.0, is_parked=True), seconds)
        p = self._bank.covariances
        body = n.gap_body_k**2 * -math.expm1(-2.0 * seconds / n.gap_body_s)
        p[:, :2, :2] += body
        p[:, OIL, OIL] += n.gap_oil_k**2 * -math.expm1(-2.0 * seconds / n.gap_oil_s)
        self._bank.limit(BODY, n.gap_body_k**2)
        self._bank.limit(OIL, n.gap_body_k**2 + n.gap_oil_k**2)
        self._show()

    # -- the filter ---------------------------------------------------------------------------

    def _close(self) -> None:
        """Take the stride gathered so far into the filter."""
        s = self._stride
        if s.seconds == 0.0:
            return
        self._stride = _Stride(s.kind)
        _, _, is_speed_known, is_motion_known, is_air_known, learns = s.kind
        moved = s.moved_s / s.seconds
        is_parked = is_speed_known and moved < STOPPED_MPS**MOVE_EXPONENT
        around = Around(
            s.joule / s.seconds, moved, s.rms_s / s.seconds, s.doubt_s / s.seconds, s.seen_s / s.seconds,
            is_speed_known, is_motion_known, is_parked,
        )  # fmt: skip
        bank, carried_c = self._bank, self._mean[BODY]
        before_c = bank.means[:, BODY].copy()
        # Heat and motion weren't the same all along the stride: what tiles made of it counts for all hypotheses.
        blunt = [s.oil_c, s.body_c, *self._mean[AIR:]]
        self._carry(blunt, around.power_w, moved, around.rms_mps, s.seconds)
        self._predict(around, s.seconds)
        bank.means[:, :2] += np.array(self._mean[:2]) - blunt[:2]
        if is_air_known:
            bank.update(AIR, s.air_s / s.seconds, self.noise.air_k**2, learns=learns)
        self.innovation = None
        if s.body_s > 0.0:
            # Brought to the stride's end along the carried temperature; a hypothesis that rises faster than
            # that one rose half as much more since the stride's middle.
            rise_c = bank.means[:, BODY] - before_c - (carried_c - s.body_c)
            measured = carried_c + s.body_off_s / s.body_s + 0.5 * rise_c
            # Half a stride is as good as a whole one; less isn't.
            variance = self.noise.body_k**2 * max(1.0, 0.5 * s.seconds / s.body_s)
            self.innovation = bank.update(BODY, measured, variance, learns=learns)
        bank.thin_out()
        self._show()

    def _predict(self, around: Around, seconds: float) -> None:
        """Move every hypothesis on by a stride."""
        self._bank.predict(self._nodes, around, seconds, *self._disturb(around, seconds))
        self._bank.blur_exchange(self._nodes, around, seconds, self.noise)

    def _disturb(self, around: Around, dt: float) -> tuple[Floats, Floats]:
        """Return how much of each state's deviation stays over a stride, and the variance that comes in."""
        n = self.noise
        lasting = {
            EXTERNAL: (n.external_w, n.external_s),
            SCALE: (n.scale, n.scale_s),
            UNSEEN: (self._unseen_sd_w(around), n.drift_s),
            WIND: (n.wind, n.wind_s) if around.is_speed_known else (n.unknown_speed, n.drift_s),
        }
        keep, added = np.ones(SIZE), np.zeros(SIZE)
        for place, (sd, time_s) in lasting.items():
            keep[place] = stays = math.exp(-dt / time_s)
            added[place] = sd * sd * (1.0 - stays * stays)
        p = self._covariance
        added[AIR] = max(0.0, min(n.air_walk_k_per_sqrt_s**2 * dt, START_AIR_SD_K**2 - p[AIR][AIR]))
        for place, (_, sd) in enumerate(self.learning.prior_logs, HA_REST):
            added[place] = max(0.0, min(n.learned_per_sqrt_h**2 * dt / 3600.0, sd * sd - p[place][place]))
        return keep, added

    def _unseen_sd_w(self, around: Around) -> float:
        """Return how far heat that wasn't measured may be off [W]; a part of a stride counts by its share."""
        n = self.noise
        if around.seen_ratio > 1.0 - 1e-9:
            return n.residual_w
        missing = max(n.parked_w if around.is_parked else n.unseen_w, n.unseen_ratio * around.power_w)
        return n.residual_w + (1.0 - around.seen_ratio) * missing

    # -- storage ------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return everything in JSON types; `from_dict` goes on from it to the bit."""
        upper = np.triu_indices(SIZE)
        return {
            "schema": 1,
            "started": self._started,
            "weights": self._bank.weights.tolist(),
            "means": self._bank.means.tolist(),
            "covariances": [p[upper].tolist() for p in self._bank.covariances],
            "oil_c": self._mean[OIL],
            "body_c": self._mean[BODY],
            "stride": asdict(self._stride) | {"kind": list(self._stride.kind)},
            "now": list(self._now),
            "mean_squares": list(self._mean_squares),
            "recent_w": self._recent_w,
            "refused_row": self._refused_row,
            "refused_count": self.refused_count,
            "readmitted_count": self.readmitted_count,
            "innovation": self.innovation,
            "learning": self.learning.to_dict(),
        }

    @staticmethod
    def from_dict(nodes: Capacities, data: dict[str, Any], noise: Noise = DEFAULT_NOISE) -> HeatObserver:
        """Return an observer as it was stored; `skip` then takes the time that has passed since.

        Raises:
            InputError: it isn't what `to_dict` gave.
        """
        if data.get("schema") != 1:
            raise InputError(f"heat state of schema {data.get('schema')!r}, this version reads 1")
        try:
            learning = Learning.from_dict(data["learning"])
            observer = HeatObserver(nodes, learning.prior, noise)
            observer.learning = learning
            observer._restore(data)
        except (KeyError, TypeError, ValueError, IndexError) as err:
            raise InputError(f"stored heat state lacks or garbles {err}") from err
        return observer

    def _restore(self, data: dict[str, Any]) -> None:
        weights, means = np.array(data["weights"], dtype=np.float64), np.array(data["means"], dtype=np.float64)
        covariances = np.zeros((len(weights), SIZE, SIZE))
        rows, columns = np.triu_indices(SIZE)
        covariances[:, rows, columns] = covariances[:, columns, rows] = np.array(data["covariances"], dtype=np.float64)
        is_finite = all(np.isfinite(values).all() for values in (weights, means, covariances))
        if means.shape != (len(weights), SIZE) or not is_finite:
            raise InputError(f"{means.shape} values for {len(weights)} hypotheses, expected {SIZE} finite ones each")
        self._bank = Hypotheses(weights, means, covariances)
        self._show()
        self._mean[OIL], self._mean[BODY] = float(data["oil_c"]), float(data["body_c"])
        stride = data["stride"]
        kind = tuple(bool(value) for value in stride["kind"])
        self._stride = _Stride(kind, **{f.name: float(stride[f.name]) for f in fields(_Stride) if f.name != "kind"})
        power, moved, rms = (float(value) for value in data["now"])
        self._now = power, moved, rms
        self._started = bool(data["started"])
        quick, slow = (float(value) for value in data["mean_squares"])
        self._mean_squares, self._recent_w = (quick, slow), float(data["recent_w"])
        self._refused_row, self.refused_count = int(data["refused_row"]), int(data["refused_count"])
        self.readmitted_count = int(data["readmitted_count"])
        if data["innovation"] is not None:
            off, expected = data["innovation"]
            self.innovation = (float(off), float(expected))


def _follow(mean_squares: tuple[float, float], square: float, dt: float) -> tuple[float, float]:
    """Return mean squares of the shaft speed, each with its own memory, after a tile."""
    quick, slow = math.exp(-dt / MOTION_WINDOWS_S[0]), math.exp(-dt / MOTION_WINDOWS_S[1])
    return quick * mean_squares[0] + (1.0 - quick) * square, slow * mean_squares[1] + (1.0 - slow) * square
