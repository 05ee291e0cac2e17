"""The state that lost damping is judged by, what is assumed of each part of it, and what a filter is fed."""

from __future__ import annotations

from dataclasses import dataclass

from dutylog.heat.state import MOVE_EXPONENT

OIL, BODY, EXTERNAL, SCALE, BASE, LOSS, SLOW, GUST, HA_REST, HA_MOVE, G_STILL, G_MOVE = range(12)
"""Places in the state: oil, body [degC]; heat from elsewhere [W]; logarithms: of the heat's passing error, of the
baseline (heat proved over work promised), of the ratio to that baseline, of hA's lasting and passing factor, of the
four conductances."""
SIZE = 12
LEARNED = slice(HA_REST, SIZE)
MODES = 3
CALM, WINDY, TURN = range(MODES)
"""How the air about the body behaves: as before; gusts and turns of the road; another hA from one stride to the next
(a shower, mud that falls off)."""
TURNOVER = ((0.976, 0.022, 0.002), (0.02, 0.978, 0.002), (0.6, 0.398, 0.002))
"""Chance in a stride of 10 s to go from one mode (row) to another (judgement: calm or windy for some eight minutes, a
turn every hour and a half)."""
UNKNOWN_SPEED_SD = 0.7
"""Logarithm of hA where the speed is unknown: from rest to 30 m/s. Source: shared/HEAT.md."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviations and time constants; reasons in shared/DAMPING.md, all judgement.

    body_k: mean of a stride of the thermocouple, what changes from one to the next. external_w, external_s: heat
    from elsewhere. scale, scale_s: error of the heat that comes and goes with the road. base: of the baseline at
    first. drift, drift_s: of the ratio about what a hypothesis assumes; wander, wander_s: of the one that is shown.
    slow: step of hA's lasting factor in 10 s, by mode; slow_most: how far it goes. gust_s: memory of hA's passing
    factor. exchange: of the heat between oil and body. residual_w: heat no curve holds, in a stride. unseen_*: heat
    assumed where travel isn't measured, least and relative. start_log: added to what is known of each conductance
    at first. learned_per_sqrt_h: how they wander.
    """

    body_k: float = 0.06
    external_w: float = 10.0
    external_s: float = 1200.0
    scale: float = 0.03
    scale_s: float = 600.0
    base: float = 0.12
    drift: float = 0.02
    drift_s: float = 10_800.0
    wander: float = 0.20
    wander_s: float = 28_800.0
    slow: tuple[float, float, float] = (0.008, 0.02, 0.3)
    slow_most: float = 0.6
    gust_s: float = 90.0
    exchange: float = 0.03
    residual_w: float = 10.0
    unseen_w: float = 100.0
    unseen_ratio: float = 1.0
    start_log: float = 0.12
    learned_per_sqrt_h: float = 0.03


DEFAULT_NOISE = Noise()


@dataclass(frozen=True, slots=True)
class Stride:
    """Some 10 s of tiles: means over its first and second half, what is unsure, and the body's mean (None: unknown).

    half_s: length of a half. power_w, rms_mps: of both halves. rms_doubt_mps: how unsure the motion is that stirs
    the oil. moved: mean of speed^0.8. seen_ratio: part in which travel was measured.
    """

    half_s: float
    power_w: tuple[float, float]
    rms_mps: tuple[float, float]
    rms_doubt_mps: float
    moved: float
    seen_ratio: float
    air_c: float
    body_c: float | None
    is_speed_known: bool = True

    @property
    def seconds(self) -> float:
        """Return how long it is."""
        return 2.0 * self.half_s

    @property
    def mean_w(self) -> float:
        """Return the mean heat made [W]."""
        return 0.5 * (self.power_w[0] + self.power_w[1])

    @property
    def mean_rms_mps(self) -> float:
        """Return the mean motion that stirs the oil [m/s]."""
        return 0.5 * (self.rms_mps[0] + self.rms_mps[1])

    @property
    def gust_sd(self) -> float:
        """Return how far wind moves the logarithm of hA (judgement: 3 m/s of wind along the way)."""
        if not self.is_speed_known:
            return UNKNOWN_SPEED_SD
        speed_mps = float(self.moved ** (1.0 / MOVE_EXPONENT))
        return min(0.8, 0.05 + 2.4 / max(speed_mps, 1.0))
