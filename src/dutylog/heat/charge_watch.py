"""Whether a damper's charge leaks: its equivalent followed against its own baseline, quiet stretch by quiet stretch.

A Kalman filter over eight numbers, all of the logarithm of the absolute equivalent. Baseline and loss say how much
there was and how much is gone; the others are what makes an honest reading wrong: the gas is warmer or colder than
assumed, travel and the oil's growth matter otherwise than assumed, sender and gas lag (shared/CHARGE.md).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.gas import COLD_C, compute_oil_growth_m3, compute_room_m3
from dutylog.domain.heat_input import HeatInput
from dutylog.domain.nitrogen import GAS_SHARE, GAS_SHARE_SD, ROOM_SD_RATIO, estimate_gas_c
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.heat.charge import CAUTION, Equivalent, GasReading, compute_equivalent
from dutylog.units import STANDARD_ATMOSPHERE_PA, ZERO_C_IN_K

Array = NDArray[np.float64]

QUIET_MPS = 0.01
SETTLE_S = 10.0
STRETCH_S = 20.0
"""Quiet is a shaft below 10 mm/s rms; its first 10 s don't count, each 20 s after are one reading. Judgement."""
_BASELINE, _LOSS, _SHARE, _SWING, _LAG, _SLOPE, _GROWTH, _BEGIN = range(8)
"""Baseline; loss since; error of GAS_SHARE, for good and for now; sender and lag; errors of the slopes by travel [1/m]
and by the oil's warmth [1/K]; loss at this run's begin."""
STATES = 8
BASELINE_SD = 1.0
ROOM_STROKES, SLOPE_SD_RATIO = 2.0, 0.6
"""Without a gas volume: its room against what the shaft takes over the whole stroke, and how far off slopes may be."""
GROWTH_SD_RATIO = 0.2
WARMEST_BARE_K = 15.0
"""Without a gas volume a body further above the air tells nothing: the oil's growth is too large a part."""
SWING_SD, SWING_S = 0.1, 3600.0
LAG_SD, LAG_S = 0.008, 1800.0
READING_SD = 0.003
LOSS_SD_HOUR, LOSS_SD_DAY = 0.01, 0.015
"""A loss wanders by so much in an hour of running and in a day parked. Judgement, as all of these."""
LEAST_LOSS, SIGMAS, SUSTAINED = 0.06, 4.5, 3
"""Leaking: at least so much of the absolute pressure gone, beyond so many standard deviations, so often in a row."""
OVER_LOSS = 0.025
"""No longer leaking once less is gone: somebody charged it."""
LEAST_READINGS, LEARNED_SD = 10, 0.02
OUTLIER_SIGMAS, MOST_OUTLIERS = 4.0, 4
"""A reading so far off is left out; after so many in a row the charge has really changed."""
NEW_RUN_S = 3600.0
"""Parked for longer, the next run begins. Judgement."""
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class ChargeNow:
    """What is known of a charge. equivalent: of the latest quiet stretch.

    loss, loss_sd: share of the absolute pressure gone since the baseline was taken; run_loss, run_loss_sd: since this
    run began. All None while it is being learned. is_leaking: None while nothing can be said. text: one line.
    """

    equivalent: Equivalent | None
    loss: float | None
    loss_sd: float | None
    run_loss: float | None
    run_loss_sd: float | None
    is_leaking: bool | None
    text: str | None


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Sums over a quiet stretch; quiet_s: how long it has lasted, seconds: how long it has been added up."""

    quiet_s: float = 0.0
    seconds: float = 0.0
    gas_pa_s: float = 0.0
    body_c_s: float = 0.0
    air_c_s: float = 0.0
    travel_m_s: float = 0.0


class ChargeWatch:
    """Follows one unit's charge, a tile at a time."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._stretch = _Stretch()
        self._equivalent: Equivalent | None = None
        self.reset()

    def reset(self) -> None:
        """Begin a new baseline: somebody charged the damper or worked on it."""
        self._mean = np.zeros(STATES)
        self._covariance = np.zeros((STATES, STATES))
        self._count = self._outliers = self._beyond = 0
        self._travel_m = self._body_c = 0.0
        self._is_leaking = False

    def take(self, tile: HeatInput, gas_pa: float | None, travel_m: float | None) -> bool:
        """Take a tile in; return whether it completed a reading.

        Args:
            tile: what the tile says of heat. gas_pa: mean gauge pressure, None without a sender. travel_m: mean.
        """
        self._pass(tile.seconds, LOSS_SD_HOUR**2 / 3600.0)
        is_quiet = tile.rms_mps is not None and tile.rms_mps <= QUIET_MPS and tile.measured_ratio == 1.0
        if not is_quiet or gas_pa is None or travel_m is None or tile.body_c is None or tile.air_c is None:
            self._stretch = _Stretch()
            return False
        stretch = replace(self._stretch, quiet_s=self._stretch.quiet_s + tile.seconds)
        if stretch.quiet_s > SETTLE_S:
            stretch = _Stretch(
                stretch.quiet_s,
                stretch.seconds + tile.seconds,
                stretch.gas_pa_s + gas_pa * tile.seconds,
                stretch.body_c_s + tile.body_c * tile.seconds,
                stretch.air_c_s + tile.air_c * tile.seconds,
                stretch.travel_m_s + travel_m * tile.seconds,
            )
        self._stretch = stretch
        if stretch.seconds < STRETCH_S:
            return False
        self._stretch = _Stretch(quiet_s=stretch.quiet_s)
        self._read(stretch)
        return True

    def skip(self, seconds: float) -> None:
        """Let time pass in which nothing was measured."""
        self._stretch = _Stretch()
        self._pass(seconds, LOSS_SD_DAY**2 / DAY_S)
        if seconds >= NEW_RUN_S:
            move = np.eye(STATES)
            move[_BEGIN] = move[_LOSS]
            self._move(move)

    def now(self) -> ChargeNow:
        """Return what is known now."""
        if not self._is_learned():
            return ChargeNow(self._equivalent, None, None, None, None, None, None)
        (loss, loss_sd), (run_loss, run_loss_sd) = self._losses()
        return ChargeNow(self._equivalent, loss, loss_sd, run_loss, run_loss_sd, self._is_leaking, self._say())

    def _is_learned(self) -> bool:
        return self._count >= LEAST_READINGS and math.sqrt(self._covariance[_LOSS, _LOSS]) < LEARNED_SD

    def _losses(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the loss since the baseline and since this run's begin, each with its standard deviation."""
        p = self._covariance
        run_variance = p[_LOSS, _LOSS] + p[_BEGIN, _BEGIN] - 2.0 * p[_LOSS, _BEGIN]
        return (
            (float(self._mean[_LOSS]), math.sqrt(p[_LOSS, _LOSS])),
            (float(self._mean[_LOSS] - self._mean[_BEGIN]), math.sqrt(max(0.0, run_variance))),
        )

    def _say(self) -> str | None:
        if not self._is_leaking:
            return None
        (loss, loss_sd), (run_loss, run_loss_sd) = self._losses()
        when = f", {run_loss:.0%} of it since it was started" if run_loss > SIGMAS * run_loss_sd else ""
        return f"gas charge fell by {loss:.0%} ± {2.0 * loss_sd:.0%} against its own baseline{when}; {CAUTION}"

    def _pass(self, seconds: float, loss_variance_s: float) -> None:
        """Let time pass: the loss may have grown, lag is forgotten."""
        if not self._count:
            return
        for state, sd, memory_s in ((_LAG, LAG_SD, LAG_S), (_SWING, SWING_SD, SWING_S)):
            kept = math.exp(-seconds / memory_s)
            self._mean[state] *= kept
            self._covariance[state, :] *= kept
            self._covariance[:, state] *= kept
            self._covariance[state, state] += sd**2 * (1.0 - kept**2)
        self._covariance[_LOSS, _LOSS] += loss_variance_s * seconds

    def _move(self, move: Array) -> None:
        self._mean = move @ self._mean
        self._covariance = move @ self._covariance @ move.T

    def _read(self, stretch: _Stretch) -> None:
        """Take a reading in."""
        gas_pa, body_c, air_c, travel_m = (
            value / stretch.seconds
            for value in (stretch.gas_pa_s, stretch.body_c_s, stretch.air_c_s, stretch.travel_m_s)
        )
        gas_c, gas_sd_k = estimate_gas_c(body_c, air_c, self._share(), self._share_sd())
        if gas_pa <= -STANDARD_ATMOSPHERE_PA / 2.0:
            return
        self._equivalent = compute_equivalent(self._profile, GasReading(gas_pa, gas_c, gas_sd_k, body_c, travel_m))
        if self._profile.gas_volume_m3 is None and abs(body_c - air_c) > WARMEST_BARE_K:
            return
        assumed_c, _ = estimate_gas_c(body_c, air_c)
        told = compute_equivalent(self._profile, GasReading(gas_pa, assumed_c, 0.0, body_c, travel_m))
        value = math.log(told.gauge_pa + STANDARD_ATMOSPHERE_PA)
        if not self._count:
            self._begin(value, travel_m, body_c)
        further_m, warmer_k = travel_m - self._travel_m, body_c - self._body_c
        by_share = (body_c - air_c) / (assumed_c + ZERO_C_IN_K)
        row = np.array([1.0, -1.0, by_share, by_share, 1.0, further_m, warmer_k, 0.0])
        if self._profile.gas_volume_m3 is None:
            slopes = self._bare_slopes()
            value -= slopes[0] * further_m + slopes[1] * warmer_k
        self._update(value, row)
        self._judge()

    def _share(self) -> float:
        return GAS_SHARE + float(self._mean[_SHARE] + self._mean[_SWING])

    def _share_sd(self) -> float:
        own = self._covariance[_SHARE : _SWING + 1, _SHARE : _SWING + 1]
        return math.sqrt(max(0.0, own.sum())) if self._count else GAS_SHARE_SD

    def _bare_slopes(self) -> tuple[float, float]:
        """Return how the logarithm rises with travel [1/m] and warmth of the oil [1/K] where no volume is known."""
        profile = self._profile
        room_m3 = ROOM_STROKES * profile.shaft_area_m2 * profile.stroke_m
        growth_m3 = compute_oil_growth_m3(profile, COLD_C + 1.0)
        return profile.shaft_area_m2 / room_m3, growth_m3 / room_m3

    def _begin(self, value: float, travel_m: float, body_c: float) -> None:
        """Believe at first what the first reading says, with all doubts."""
        slope_sd, growth_sd = (SLOPE_SD_RATIO * slope for slope in self._bare_slopes())
        volume_m3 = self._profile.gas_volume_m3
        if volume_m3 is not None:
            room_m3 = compute_room_m3(self._profile, travel_m, body_c) or volume_m3
            slope_sd = 2.0 * ROOM_SD_RATIO * self._profile.shaft_area_m2 / room_m3
            growth_sd = GROWTH_SD_RATIO * compute_oil_growth_m3(self._profile, COLD_C + 1.0) / room_m3
        self._travel_m, self._body_c = travel_m, body_c
        self._mean = np.zeros(STATES)
        self._mean[_BASELINE] = value
        deviations = (BASELINE_SD, 0.0, GAS_SHARE_SD, SWING_SD, LAG_SD, slope_sd, growth_sd, 0.0)
        self._covariance = np.diag(np.array(deviations) ** 2)

    def _update(self, value: float, row: Array) -> None:
        """Take one value in, in Joseph's form; one far off is left out unless it stays."""
        innovation = value - float(row @ self._mean)
        variance = float(row @ self._covariance @ row) + READING_SD**2
        if self._count and innovation**2 > OUTLIER_SIGMAS**2 * variance:
            self._outliers += 1
            if self._outliers <= MOST_OUTLIERS:
                return
            # It stays: much was lost, or somebody charged it, at once.
            self._covariance[_LOSS, _LOSS] += innovation**2
            variance += innovation**2
        self._outliers = 0
        self._count += 1
        gain = self._covariance @ row / variance
        self._mean = self._mean + gain * innovation
        keep = np.eye(STATES) - np.outer(gain, row)
        joseph = keep @ self._covariance @ keep.T + READING_SD**2 * np.outer(gain, gain)
        self._covariance = (joseph + joseph.T) / 2.0

    def _judge(self) -> None:
        """Say whether it leaks, by what is gone since the baseline or since this run began."""
        if not self._is_learned():
            return
        (loss, loss_sd), (run_loss, run_loss_sd) = self._losses()
        if loss < -max(LEAST_LOSS, SIGMAS * loss_sd):
            self._take_new_baseline()
            return
        is_beyond = loss > max(LEAST_LOSS, SIGMAS * loss_sd) or run_loss > max(LEAST_LOSS, SIGMAS * run_loss_sd)
        self._beyond = self._beyond + 1 if is_beyond else 0
        if self._beyond >= SUSTAINED:
            self._is_leaking = True
        elif loss < OVER_LOSS and run_loss < OVER_LOSS:
            self._is_leaking = False

    def _take_new_baseline(self) -> None:
        """More is in it than there ever was: it was charged, what is there now is the baseline."""
        move = np.eye(STATES)
        move[_BASELINE, _LOSS] = -1.0
        move[_LOSS] = move[_BEGIN] = 0.0
        self._move(move)
        self._beyond, self._is_leaking = 0, False

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        found = self._equivalent
        return {
            "mean": self._mean.tolist(),
            "covariance": self._covariance.tolist(),
            "counts": [self._count, self._outliers, self._beyond],
            "origin": [self._travel_m, self._body_c],
            "is_leaking": self._is_leaking,
            "stretch": [getattr(self._stretch, name) for name in _Stretch.__dataclass_fields__],
            "equivalent": None if found is None else [found.gauge_pa, found.sd_pa, found.is_by_travel],
        }

    @staticmethod
    def from_dict(profile: Profile, data: Mapping[str, Any]) -> ChargeWatch:
        """Return it as it was; InputError for anything else than what `to_dict` gave."""
        watch = ChargeWatch(profile)
        watch._mean = np.array(data["mean"], dtype=np.float64)
        watch._covariance = np.array(data["covariance"], dtype=np.float64)
        if (
            watch._mean.shape != (STATES,)
            or watch._covariance.shape != (STATES, STATES)
            or not np.isfinite(watch._covariance).all()
        ):
            raise InputError("a charge's state of another form")
        watch._count, watch._outliers, watch._beyond = (int(count) for count in data["counts"])
        watch._travel_m, watch._body_c = (float(value) for value in data["origin"])
        watch._is_leaking = bool(data["is_leaking"])
        watch._stretch = _Stretch(*(float(value) for value in data["stretch"]))
        kept = data["equivalent"]
        watch._equivalent = None if kept is None else Equivalent(float(kept[0]), float(kept[1]), bool(kept[2]))
        return watch
