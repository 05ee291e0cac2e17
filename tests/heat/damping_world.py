"""A day's driving for dampers whose true heat is known, with everything about them that isn't a loss of damping.

Nothing here is drawn as the filters assume it: wind is a speed and a direction, rain and mud come as showers and
cakes, an exhaust follows the engine. Every number is a judgement of what a hard day brings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.heat_input import HeatInput
from dutylog.heat.damping import DampingWatch
from dutylog.heat.model import Capacities
from dutylog.heat.observer import HeatObserver
from dutylog.heat.priors import FACTOR_LOG_SD
from dutylog.heat.state import Laws
from dutylog.sim.heat_truth import HeatParameters, TwoNodeHeat

Floats = NDArray[np.float64]

NODES = Capacities(2450.0, 1650.0)
PRIOR = Laws(1.25, 0.5, 10.0, 35.5, *(FACTOR_LOG_SD,) * 4)
"""What the watch is told of every damper; the true ones differ."""
KINDS = {
    "rough": (0.40, (6.0, 18.0), (0.22, 0.50)),
    "graded": (0.20, (9.0, 20.0), (0.08, 0.20)),
    "street": (0.25, (10.0, 28.0), (0.015, 0.05)),
    "stop": (0.15, (0.0, 0.0), (0.0, 0.0)),
}
"""Share of pieces, speed [m/s] and rms of the shaft speed [m/s]."""


@dataclass(frozen=True)
class Loss:
    """Heat falls to a part of what the force curve says, within some seconds."""

    ratio: float
    onset_s: float
    ramp_s: float = 20.0


@dataclass(frozen=True)
class World:
    """Measured (runs, seconds), and the true heat over what was promised."""

    speed_mps: Floats
    rms_mps: Floats
    power_w: Floats
    air_c: Floats
    body_c: Floats
    true_ratio: Floats
    true_ha: Floats

    @property
    def seconds(self) -> int:
        return self.power_w.shape[1]

    def tile(self, run: int, second: int) -> HeatInput:
        return HeatInput(
            1.0,
            float(self.power_w[run, second]),
            1.0,
            float(self.rms_mps[run, second]),
            float(self.body_c[run, second]),
            float(self.air_c[run, second]),
            float(self.speed_mps[run, second]),
        )


def wander(rng: np.random.Generator, shape: tuple[int, int], sd: float, time_s: float) -> Floats:
    """Return a first-order Gauss-Markov process a second apart."""
    keep = math.exp(-1.0 / time_s)
    steps = sd * math.sqrt(1.0 - keep * keep) * rng.standard_normal(shape)
    value = sd * rng.standard_normal(shape[0])
    out = np.empty(shape)
    for second in range(shape[1]):
        value = keep * value + steps[:, second]
        out[:, second] = value
    return out


def draw_drive(rng: np.random.Generator, seconds: int) -> tuple[Floats, Floats, Floats]:
    """Return speed, rms of the shaft speed and the kind of road (its place in KINDS) of pieces of 1 to 8 minutes."""
    speed, rms, kind = np.zeros(seconds), np.zeros(seconds), np.zeros(seconds, dtype=int)
    shares = np.array([share for share, _, _ in KINDS.values()])
    start = 0
    while start < seconds:
        stop = min(seconds, start + int(rng.integers(60, 480)))
        which = int(rng.choice(len(KINDS), p=shares)) if start else 0
        _, speeds, strengths = list(KINDS.values())[which]
        speed[start:stop], rms[start:stop], kind[start:stop] = rng.uniform(*speeds), rng.uniform(*strengths), which
        start = stop
    return speed, rms, kind


def draw_wind(rng: np.random.Generator, seconds: int) -> tuple[Floats, Floats]:
    """Return wind along the way and across it [m/s]: 0 to 8 m/s, gusts, and a road that turns every few minutes."""
    strength = rng.uniform(0.0, 8.0) * np.maximum(0.0, 1.0 + wander(rng, (1, seconds), 0.25, 20.0)[0])
    angle = np.zeros(seconds)
    start = 0
    while start < seconds:
        stop = min(seconds, start + int(rng.integers(40, 400)))
        angle[start:stop] = rng.uniform(0.0, 2.0 * math.pi)
        start = stop
    return strength * np.cos(angle), strength * np.sin(angle)


def draw_rain(rng: np.random.Generator, seconds: int) -> Floats:
    """Return the logarithm of hA's factor by showers: up to twice, wet within minutes, dry after more of them."""
    wet = np.zeros(seconds)
    for _ in range(rng.poisson(0.4 * seconds / 3600.0)):
        start, lasts = int(rng.integers(0, seconds)), int(rng.integers(600, 2400))
        wet[start : start + lasts] = math.log(rng.uniform(1.2, 2.0))
    return follow(wet, rng.uniform(15.0, 90.0), rng.uniform(120.0, 400.0))


def follow(target: Floats, up_s: float, down_s: float) -> Floats:
    out, value = np.empty_like(target), 0.0
    for second, aim in enumerate(target):
        value += (aim - value) / (up_s if aim > value else down_s)
        out[second] = value
    return out


def draw_mud(rng: np.random.Generator, seconds: int) -> Floats:
    """Return the logarithm of hA's factor by mud: cakes to -40 % within minutes, falls off in one to three lumps."""
    mud = np.zeros(seconds)
    for _ in range(rng.poisson(0.4 * seconds / 3600.0)):
        start, grows, lasts = int(rng.integers(0, seconds)), int(rng.integers(60, 600)), int(rng.integers(600, 3600))
        cake = np.concatenate([np.linspace(0.0, 1.0, grows), np.ones(lasts)])
        for _ in range(int(rng.integers(0, 3))):
            cake[int(rng.integers(grows, grows + lasts)) :] *= rng.uniform(0.3, 0.8)
        room = mud[start : start + len(cake)]
        room[:] = np.minimum(room, math.log(0.6) * cake[: len(room)])
    return mud


def draw_outside_w(rng: np.random.Generator, seconds: int, speed: Floats) -> Floats:
    """Return heat from elsewhere [W]: sun behind clouds, and on every second vehicle an exhaust on one side."""
    sun = np.zeros(seconds)
    start = 0
    while start < seconds:
        stop = min(seconds, start + int(rng.integers(120, 1800)))
        sun[start:stop] = rng.uniform(0.0, 30.0) * float(rng.random() < 0.6)
        start = stop
    exhaust = rng.uniform(20.0, 80.0) if rng.random() < 0.5 else 0.0
    return np.asarray(sun + follow(exhaust * np.minimum(speed / 20.0, 1.0), 120.0, 240.0))


def simulate(seed: int, runs: int, seconds: int, loss: Loss | None = None) -> World:
    """Return as many vehicles as runs, each with its own damper, drive, weather and errors."""
    rng = np.random.default_rng(seed)
    drives = [draw_drive(rng, seconds) for _ in range(runs)]
    shape = (runs, seconds)
    kind = np.array([drive[2] for drive in drives])
    rms = np.array([drive[1] for drive in drives])
    rms = rms * np.exp(wander(rng, shape, 0.25, 3.0) + wander(rng, shape, 0.2, 60.0))
    speed = np.array([drive[0] for drive in drives]) * np.maximum(0.2, 1.0 + wander(rng, shape, 0.1, 15.0))
    winds = [draw_wind(rng, seconds) for _ in range(runs)]
    shelter = rng.uniform(0.4, 0.8, (runs, 1))
    along, across = (shelter * np.array([wind[part] for wind in winds]) for part in (0, 1))
    blown = np.hypot(speed + along, across)
    weather = np.array([draw_rain(rng, seconds) + draw_mud(rng, seconds) for _ in range(runs)])
    outside = np.array([draw_outside_w(rng, seconds, row) for row in speed])
    # Promised, and proved: one error for good, one by kind of road, one that comes and goes.
    power = 2200.0 * rms**1.6
    by_road = np.take_along_axis(rng.normal(0.0, 0.04, (runs, len(KINDS))), kind, axis=1)
    error = np.log(rng.uniform(0.88, 1.12, (runs, 1))) + by_road + wander(rng, shape, 0.02, 600.0)
    ratio = np.ones(shape)
    if loss is not None:
        ratio[:] = np.interp(np.arange(seconds), [loss.onset_s, loss.onset_s + loss.ramp_s], [1.0, loss.ratio])
    proved = power * np.exp(error) * ratio

    def around(value: float, spread: float) -> Floats:
        return np.asarray(value * np.exp(spread * rng.standard_normal((runs, 1))))

    spread = 0.7 * FACTOR_LOG_SD
    still, stir = around(PRIOR.g_still_w_per_k, spread), around(PRIOR.g_move_w_per_k_per_mps, spread)
    rest, move = around(PRIOR.ha_rest_w_per_k, spread), around(PRIOR.ha_move, spread)
    exponent = rng.uniform(0.65, 0.9, (runs, 1))
    ha = (rest + move * 12.0 ** (0.8 - exponent) * blown**exponent) * np.exp(weather)
    air = rng.uniform(5.0, 38.0, (runs, 1)) + wander(rng, shape, 2.0, 3600.0)
    oil_j, body_j = around(NODES.oil_j_per_k, 0.04), around(NODES.body_j_per_k, 0.04)
    heat = TwoNodeHeat(HeatParameters(oil_j, body_j, still, stir, rest, move, np.zeros((runs, 1))), air[:, :1])
    keep, body = math.exp(-1.0 / 5.0), np.empty(shape)
    for t in range(seconds):
        before = heat.body_c
        heat.mean_square = keep * heat.mean_square + (1.0 - keep) * rms[:, t : t + 1] ** 2
        heat.parameters.external_w[:] = outside[:, t : t + 1]
        heat.step(proved[:, t : t + 1], heat.g_w_per_k(), ha[:, t : t + 1], air[:, t : t + 1], 1.0)
        body[:, t] = 0.5 * (before + heat.body_c)[:, 0]
    low = rng.uniform(0.0, 0.03, (runs, 1))
    measured = body - low * (body - air) + wander(rng, shape, 0.08, 120.0) + 0.03 * rng.standard_normal(shape)
    told = air + rng.uniform(-1.0, 1.0, (runs, 1)) + 0.1 * rng.standard_normal(shape)
    said = np.maximum(speed + 0.1 * rng.standard_normal(shape), 0.0)
    return World(said, rms, power, told, measured, np.exp(error) * ratio, ha)


@dataclass(frozen=True)
class Watched:
    """What a watch said of one run: when it judged from, when it called, its highest sums, ratio and sd by hour."""

    judged_s: float | None
    called_s: float | None
    peaks: tuple[float, float]
    ratios: tuple[float | None, ...]
    sds: tuple[float | None, ...]


def watch(world: World, run: int) -> Watched:
    """Follow one run as a vehicle does, tile by tile, with the watch's own thresholds.

    Once it judges, a watch asks the observer nothing but after gaps and where the air isn't measured; there are none
    here, so the observer rests and half the time is saved. Recordings in test_damping.py go through both.
    """
    observer, watching = HeatObserver(NODES, PRIOR), DampingWatch(NODES)
    judged, peaks, ratios, sds = None, [0.0, 0.0], [], []
    for second in range(world.seconds):
        tile = world.tile(run, second)
        if judged is None:
            state = observer.step(tile, frozen=watching.wants_frozen)
        watching.take(tile, state)
        if second % 10 == 9:
            peaks = [max(pair) for pair in zip(peaks, watching.sums, strict=True)]
            if judged is None and watching.now().state != "learning":
                judged = float(second + 1)
        if second % 3600 == 3599:
            ratios.append(watching.now().ratio)
            sds.append(watching.now().sd)
    return Watched(judged, watching.now().lost_since_s, (peaks[0], peaks[1]), tuple(ratios), tuple(sds))
