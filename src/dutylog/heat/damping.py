"""Damping output: the heat a damper proves by warming up, over the work its force curve promises, against its own
baseline; and the call that damping is lost.

Fed by the tiles that the observer (heat/observer.py) is fed by. What tells a loss from wind, rain and mud, how sure
a call is, and what was measured: shared/DAMPING.md.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from typing import Any

from dutylog.domain.heat_input import HeatInput
from dutylog.errors import InputError
from dutylog.heat.damping_change import Cusum
from dutylog.heat.damping_filter import Bank
from dutylog.heat.damping_state import BASE, DEFAULT_NOISE, LOSS, Noise, Stride
from dutylog.heat.identify import SMOOTH_W
from dutylog.heat.model import Capacities
from dutylog.heat.observer import MOTION_WINDOWS_S, RECENT_POWER_S, START_POWER_W, UNKNOWN_MPS
from dutylog.heat.state import MOVE_EXPONENT, HeatState

STRIDE_S = 10.0
LOST_RATIOS = (0.85, 0.70)
"""Losses that are tried against the baseline; others are found by the nearer one (judgement: the least that can be
found in a day, and one that shows within minutes)."""
LOSSES = (0.0, *(math.log(ratio) for ratio in LOST_RATIOS))
SHOWN = len(LOSSES)
THRESHOLDS = (7.2, 8.0)
"""Sums at which each is called; measured false alarms and delays: shared/DAMPING.md."""
AGREED_RATIO = 0.93
"""The smaller loss is called only while the ratio that is shown, which assumes none, has come below this: half of the
loss (judgement). A greater one shows long before that ratio has come along."""
SMALL_LEAST_S = 1800.0
"""And it is tried only after so much driving with heat: a baseline from one road alone is wrong by half of it on
another, now and then (measured)."""
SUSPICION = 2.5
"""From this sum on the observer's conductances shouldn't learn (judgement: healthy dampers are there now and then)."""
START_LOG_SD = 0.42
"""Conductances known as well as this are good enough to linearise about (judgement)."""
BASELINE_LOG_SD = 0.09
"""A baseline known as well as this can be judged by: half of the least loss (judgement) ..."""
BASELINE_LEAST_S = 200.0
"""... that stands on so much driving with heat at least ..."""
BASELINE_MOST_S = 7200.0
"""... and learns no more after so much: later losses, however slow, are held against the first hours (judgement)."""
SEEN_RATIO = 0.5
"""A stride of which less was measured proves nothing (judgement)."""
UNKNOWN_S = 600.0
"""After so long without body temperature or travel nothing is said (judgement)."""
UNKNOWN_MOTION = 0.4
"""Relative uncertainty of a shaft speed that isn't measured. Source: shared/HEAT.md."""
BACK_LOG = 0.05
BACK_S = 7200.0
"""A ratio within so much of the baseline for so long is back (judgement); the call stays."""
REFUSED_STRIDES = 12
"""So many body temperatures out of reach in a row, and the sensor is believed (judgement)."""
CANDIDATES = "aerated or worn oil, shims, gas charge, a leak, a force curve that is wrong, an adjuster that was turned"
CAUTION = "let it cool; a qualified technician should look at it, by the maker's manual"


@dataclass(frozen=True, slots=True)
class DampingNow:
    """Damping output now: ratio to the baseline and its standard deviation, None where nothing can be said.

    state: learning, steady, lost, unknown. lost_since_s: seconds the watch had run when it called; None: no call.
    """

    ratio: float | None
    sd: float | None
    state: str
    lost_since_s: float | None
    text: str


@dataclass(slots=True)
class _Gathered:
    """Tiles since the last stride, sums over seconds; first_*: those of the first half."""

    seconds: float = 0.0
    first_s: float = 0.0
    joule: float = 0.0
    first_joule: float = 0.0
    rms_m: float = 0.0
    first_rms_m: float = 0.0
    doubt_m: float = 0.0
    moved_s: float = 0.0
    seen_s: float = 0.0
    speed_s: float = 0.0
    air_s: float = 0.0
    body_s: float = 0.0
    body_c_s: float = 0.0

    def stride(self) -> Stride:
        """Return what was gathered; a body that was measured in less than half of it is unknown."""
        total, first = self.seconds, self.first_s
        power, rms = (self.joule / total,) * 2, (self.rms_m / total,) * 2
        if 0.0 < first < total:
            power = self.first_joule / first, (self.joule - self.first_joule) / (total - first)
            rms = self.first_rms_m / first, (self.rms_m - self.first_rms_m) / (total - first)
        return Stride(
            half_s=0.5 * total,
            power_w=power,
            rms_mps=rms,
            rms_doubt_mps=abs(self.doubt_m) / total,
            moved=self.moved_s / total,
            seen_ratio=min(self.seen_s / total, 1.0),
            air_c=self.air_s / total,
            body_c=self.body_c_s / self.body_s if self.body_s >= SEEN_RATIO * total else None,
            is_speed_known=self.speed_s >= SEEN_RATIO * total,
        )


@dataclass(slots=True)
class _Progress:
    """What a watch has come to; seconds it ran, seconds since something was proved, evidence, and the call."""

    ran_s: float = 0.0
    blind_s: float = 0.0
    working_s: float = 0.0
    is_started: bool = False
    is_judging: bool = False
    is_astray: bool = False
    lost_since_s: float | None = None
    back_s: float = 0.0
    recent_w: float = START_POWER_W
    quick_mps2: float = 0.0
    slow_mps2: float = 0.0
    refused_row: int = 0
    refused_count: int = 0


class DampingWatch:
    """Watches the damping output of one unit in one place, a tile at a time."""

    def __init__(self, nodes: Capacities, noise: Noise = DEFAULT_NOISE) -> None:
        self._nodes, self._noise = nodes, noise
        self.reset()

    def reset(self) -> None:
        """Forget baseline and call: another setting, oil fill or unit, or a person said so."""
        self._bank = Bank(self._nodes, LOSSES, self._noise)
        self._said: DampingNow | None = None
        self._was_blind = False
        self._sums = [Cusum() for _ in LOST_RATIOS]
        self._gathered, self._p = _Gathered(), _Progress()

    @property
    def wants_frozen(self) -> bool:
        """Return whether the observer's conductances shouldn't learn: a loss is weighed, or called."""
        return self._p.lost_since_s is not None or self.suspicion > SUSPICION

    @property
    def suspicion(self) -> float:
        """Return the larger sum of the test; a loss is called at THRESHOLDS."""
        small, great = self._sums
        return max(small.value, great.value)

    @property
    def sums(self) -> tuple[float, ...]:
        """Return the test's sums, one by each of LOST_RATIOS."""
        return tuple(total.value for total in self._sums)

    # -- tiles ----------------------------------------------------------------------------------

    def wants_state(self, tile: HeatInput) -> bool:
        """Return whether `take` needs to know what the observer says at a tile's end."""
        return tile.air_c is None or not self._p.is_started or self._p.is_astray

    def take(self, tile: HeatInput, state: HeatState | None) -> None:
        """Take a tile in; state: what the observer says at its end, which may be None unless `wants_state`.

        Raises:
            InputError: the state is wanted and isn't there, or doesn't hold the conductances.
        """
        p = self._p
        p.ran_s += tile.seconds
        p.blind_s += tile.seconds
        rms, doubt = self._follow_motion(tile)
        if not p.is_started or p.is_astray:
            self._begin(_known(state))
            return
        g, dt = self._gathered, tile.seconds
        seen = tile.measured_ratio if tile.power_w is not None else 0.0
        power = tile.power_w if tile.power_w is not None and seen > 0.0 else self._guess_w(tile)
        if tile.power_w is not None:
            p.recent_w += -math.expm1(-seen * dt / RECENT_POWER_S) * (tile.power_w - p.recent_w)
        if g.seconds + 0.5 * dt <= 0.5 * STRIDE_S:
            g.first_s += dt
            g.first_joule += power * dt
            g.first_rms_m += rms * dt
        g.seconds += dt
        g.joule += power * dt
        g.rms_m += rms * dt
        g.doubt_m += doubt * dt
        g.seen_s += seen * dt
        speed = UNKNOWN_MPS if tile.speed_mps is None else max(tile.speed_mps, 0.0)
        g.moved_s += speed**MOVE_EXPONENT * dt
        g.speed_s += 0.0 if tile.speed_mps is None else dt
        g.air_s += (_known(state).air_c if tile.air_c is None else tile.air_c) * dt
        if tile.body_c is not None:
            g.body_s += dt
            g.body_c_s += tile.body_c * dt
        if g.seconds >= STRIDE_S - 1e-6:
            self._gathered = _Gathered()
            self._close(g.stride())

    def _guess_w(self, tile: HeatInput) -> float:
        """Return the heat assumed where travel isn't measured: none at rest, else that of the last minutes."""
        is_parked = tile.speed_mps is not None and tile.speed_mps < 0.5
        return 0.0 if is_parked else self._p.recent_w

    def _follow_motion(self, tile: HeatInput) -> tuple[float, float]:
        """Return the rms that stirs the oil, and how unsure it is [m/s]. Source: shared/HEAT.md, Motion."""
        p = self._p
        if tile.rms_mps is not None:
            square = tile.rms_mps**2
            p.quick_mps2 += -math.expm1(-tile.seconds / MOTION_WINDOWS_S[0]) * (square - p.quick_mps2)
            p.slow_mps2 += -math.expm1(-tile.seconds / MOTION_WINDOWS_S[1]) * (square - p.slow_mps2)
        quick, slow = math.sqrt(p.quick_mps2), math.sqrt(p.slow_mps2)
        rms = 0.5 * (quick + slow)
        return rms, 0.5 * (slow - quick) if tile.rms_mps is not None else UNKNOWN_MOTION * rms

    def _begin(self, state: HeatState) -> None:
        """Start once the conductances are known well enough, or find the temperatures again after a gap."""
        p = self._p
        if p.is_astray:
            self._gathered, self._said = _Gathered(), None
            self._bank.find_again(state)
            p.is_astray = False
            return
        laws = state.laws
        if laws is None:
            raise InputError("damping output needs the conductances with the state")
        if max(laws.ha_move_log_sd, laws.g_move_log_sd) < START_LOG_SD:
            self._gathered, self._said = _Gathered(), None
            self._bank.start(state)
            p.is_started = True

    # -- strides --------------------------------------------------------------------------------

    def _close(self, stride: Stride) -> None:
        """Take a stride into the filters and judge."""
        p = self._p
        self._said = None
        dt = 2.0 * stride.half_s
        is_closed = p.working_s >= BASELINE_MOST_S or p.lost_since_s is not None
        logs = self._bank.take(stride, is_closed=is_closed, is_believed=p.refused_row >= REFUSED_STRIDES)
        if stride.body_c is not None and logs is None:
            p.refused_row += 1
            p.refused_count += 1
            return
        p.refused_row = 0
        if logs is None or stride.seen_ratio < SEEN_RATIO:
            return
        p.blind_s = 0.0
        if stride.mean_w >= SMOOTH_W:
            p.working_s += dt
        if not p.is_judging:
            self._look_at_baseline()
            return
        for row, total in enumerate(self._sums, 1):
            score = self._bank.trust * float(logs[row] - logs[0])
            is_early = row == 1 and p.working_s < SMALL_LEAST_S
            if is_early or total.add(score) == 0.0:
                # Nothing speaks for a loss that began by now; the next one is tried from here.
                self._bank.copy(0, row)
        mean, _ = self._bank.moments(SHOWN, LOSS)
        if p.lost_since_s is None:
            self._call(mean)
        else:
            p.back_s = p.back_s + dt if mean > -BACK_LOG else 0.0

    def _call(self, shown_log: float) -> None:
        """Call a loss whose sum is over its threshold; what is shown, which follows slowly, begins at it anew."""
        small, great = (total >= threshold for total, threshold in zip(self.sums, THRESHOLDS, strict=True))
        if great or (small and shown_log < math.log(AGREED_RATIO)):
            self._p.lost_since_s = self._p.ran_s
            self._bank.show_from(2 if great else 1, SHOWN)

    def _look_at_baseline(self) -> None:
        """Begin to judge once the baseline is good enough; until then every hypothesis is the baseline's."""
        p = self._p
        _, variance = self._bank.moments(0, BASE)
        if variance < BASELINE_LOG_SD**2 and p.working_s >= BASELINE_LEAST_S:
            p.is_judging = True
            for row in range(1, SHOWN + 1):
                self._bank.copy(0, row)

    def skip(self, seconds: float) -> None:
        """Let time pass of which nothing is known; what was learned and what is suspected stays.

        Raises:
            InputError: time that runs backwards.
        """
        if not seconds >= 0.0:
            raise InputError(f"a gap of {seconds} s, expected 0 or more")
        if seconds > 0.0:
            self._gathered = _Gathered()
            p = self._p
            p.quick_mps2 = p.slow_mps2 = 0.0
            p.recent_w = START_POWER_W
            p.is_astray = p.is_started

    # -- what is known --------------------------------------------------------------------------

    def now(self) -> DampingNow:
        """Return what is known of the damping output."""
        p = self._p
        is_blind = p.blind_s >= UNKNOWN_S
        # Between strides only the time since a call moves on.
        if self._said is None or is_blind != self._was_blind or p.lost_since_s is not None:
            self._said, self._was_blind = self._find_now(is_blind), is_blind
        return self._said

    def _find_now(self, is_blind: bool) -> DampingNow:
        p = self._p
        known: tuple[float, float] | tuple[None, None] = (None, None)
        if p.is_judging and not is_blind:
            mean, variance = self._bank.moments(SHOWN, LOSS)
            ratio = math.exp(mean)
            known = ratio, ratio * math.sqrt(max(variance, 0.0))
        if p.lost_since_s is not None:
            return DampingNow(known[0], known[1], "lost", p.lost_since_s, self._say_lost(*known))
        if is_blind:
            text = "damping output unknown: no body temperature or no travel for ten minutes"
            return DampingNow(None, None, "unknown", None, text)
        if not p.is_judging:
            text = f"damping output: baseline being learned, {p.working_s / 60.0:.0f} min of driving with heat so far"
            return DampingNow(None, None, "learning", None, text)
        text = f"damping output {known[0]:.2f} ± {known[1]:.2f} of its baseline; good to ±15 % over a day, not better"
        return DampingNow(known[0], known[1], "steady", None, text)

    def _say_lost(self, ratio: float | None, sd: float | None) -> str:
        since_min = (self._p.ran_s - (self._p.lost_since_s or 0.0)) / 60.0
        found = "now unknown" if ratio is None else f"{ratio:.2f} ± {sd:.2f} of its baseline"
        text = f"damping lost, called {since_min:.0f} min ago; heat proved {found}. Any of: {CANDIDATES}; {CAUTION}"
        if self._p.back_s >= BACK_S:
            text += f". Back near its baseline for {self._p.back_s / 3600.0:.0f} h; stays called until it is reset"
        return text

    # -- storage --------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return everything in JSON types; `from_dict` goes on from it to the bit."""
        return {
            "schema": 1,
            "progress": asdict(self._p),
            "gathered": asdict(self._gathered),
            "sums": [total.value for total in self._sums],
            "bank": self._bank.to_dict() if self._p.is_started else None,
        }

    @staticmethod
    def from_dict(nodes: Capacities, data: dict[str, Any], noise: Noise = DEFAULT_NOISE) -> DampingWatch:
        """Return a watch as it was stored.

        Raises:
            InputError: it isn't what `to_dict` gave.
        """
        if data.get("schema") != 1:
            raise InputError(f"damping output of schema {data.get('schema')!r}, this version reads 1")
        watch = DampingWatch(nodes, noise)
        try:
            watch._p = _Progress(**{f.name: data["progress"][f.name] for f in fields(_Progress)})
            watch._gathered = _Gathered(**{f.name: float(data["gathered"][f.name]) for f in fields(_Gathered)})
            for total, value in zip(watch._sums, data["sums"], strict=True):
                total.value = float(value)
            if watch._p.is_started:
                watch._bank.read_dict(data["bank"])
        except (KeyError, TypeError, ValueError, AttributeError) as err:
            raise InputError(f"stored damping output lacks or garbles {err}") from err
        return watch


def _known(state: HeatState | None) -> HeatState:
    if state is None:
        raise InputError("damping output needs what the observer says at the end of this tile")
    return state
