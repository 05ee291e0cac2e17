"""The duty of the last minutes: mean heat made, how much it wanders, shaft speed, pace."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from dutylog.domain.heat_input import HeatInput
from dutylog.errors import InputError

WINDOW_S = 300.0
"""What the last minutes are (judgement: a stretch of one surface; shorter is too noisy, longer too old)."""
BLOCK_S = 10.0
"""Length of the blocks whose means show how much the power wanders, and how long it stays away (judgement)."""
MEASURED_RATIO = 0.5
"""A block, or a value in it, of which less than this was measured isn't used (judgement)."""
LEAST_S = 45.0
"""Measured time below which nothing is said of the duty (judgement)."""
USUAL_SPREAD_RATIO = 0.15
"""Usual sd of block means over their mean, what is believed before blocks are there (judgement)."""
USUAL_LIKENESS = 0.45
"""Usual correlation of neighbouring blocks; belongs to power that forgets itself in about 7 s (judgement)."""
USUAL_WEIGHT = 4.0
"""Blocks either belief is worth (judgement)."""
MOST_LIKENESS = 0.9
"""Likeness is held below this: five minutes can't tell what wanders slower from another level (judgement)."""
CHANGE_RATIO = 1.4
"""A new level of power differs from the one before at least by this factor (judgement) ..."""
CHANGE_SD = 4.0
"""... and by this many standard deviations of the difference (judgement)."""
CHANGE_BLOCKS = 6
"""Blocks of a level at least: a minute (judgement)."""
SMALL_RATIO = 0.3
"""A level's wandering is taken relative to at least this part of the other level (judgement)."""
STILL_W = 5.0
"""Power below which levels aren't told apart [W] (judgement)."""


@dataclass(slots=True)
class Block:
    """Sums over one block, which no longer change once it is closed; a mean is a sum over its own seconds.

    speed and shaft speed times seconds [m].
    """

    elapsed_s: float = 0.0
    power_s: float = 0.0
    energy_j: float = 0.0
    rms_s: float = 0.0
    rms_m: float = 0.0
    speed_s: float = 0.0
    speed_m: float = 0.0
    body_s: float = 0.0
    body_c_s: float = 0.0

    def add(self, tile: HeatInput) -> None:
        """Take in one more tile."""
        seconds = tile.seconds
        self.elapsed_s += seconds
        if tile.power_w is not None:
            power_s = seconds * tile.measured_ratio
            self.power_s += power_s
            self.energy_j += power_s * tile.power_w
        if tile.rms_mps is not None:
            self.rms_s += seconds
            self.rms_m += seconds * tile.rms_mps
        if tile.speed_mps is not None:
            self.speed_s += seconds
            self.speed_m += seconds * tile.speed_mps
        if tile.body_c is not None:
            self.body_s += seconds
            self.body_c_s += seconds * tile.body_c

    @property
    def is_measured(self) -> bool:
        """Return whether enough of its heat was measured to stand for the block."""
        return self.power_s >= MEASURED_RATIO * self.elapsed_s > 0.0

    @property
    def power_w(self) -> float:
        """Return its mean heat made [W]; only where it is measured."""
        return self.energy_j / self.power_s


@dataclass(frozen=True, slots=True)
class Duty:
    """Duty of the last minutes, at one level.

    measured_s: time the mean stands on. power_w: mean heat made. density_w2_s: variance of a mean over T seconds
    is density / T. rms_mps: mean of the shaft speed's rms of each second; speed_mps: of the vehicle; body_c: mean;
    each None where unknown. pairs: (vehicle speed, power) of every block of the window, whatever its level.
    """

    measured_s: float
    power_w: float
    density_w2_s: float
    rms_mps: float | None
    speed_mps: float | None
    body_c: float | None
    pairs: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if not self.measured_s > 0.0 or not self.density_w2_s >= 0.0 or not math.isfinite(self.power_w):
            raise InputError(f"a duty of {self.power_w} W over {self.measured_s} s, expected a time above 0")


class Recent:
    """Sliding window over the last minutes; one `add` a tile."""

    def __init__(self) -> None:
        self.closed: deque[Block] = deque(maxlen=round(WINDOW_S / BLOCK_S))
        self.open = Block()

    def add(self, tile: HeatInput) -> None:
        """Take in one tile; its unmeasured part makes the window's mean stand on less, never lower."""
        self.open.add(tile)
        # Half a millisecond: ten seconds added up from tiles are ten seconds.
        if self.open.elapsed_s >= BLOCK_S - 5e-4:
            self.closed.append(self.open)
            self.open = Block()

    def duty(self) -> Duty | None:
        """Return the duty since its level last changed, at most the window; None with too little measured."""
        blocks = [block for block in (*self.closed, self.open) if block.is_measured]
        measured_s = sum(block.power_s for block in blocks)
        if measured_s < LEAST_S:
            return None
        before, since = _split(blocks)
        measured_s = sum(block.power_s for block in since)
        power_w = _mean_w(since)
        return Duty(
            measured_s=measured_s,
            power_w=power_w,
            density_w2_s=_density_s([before, since]) * max(power_w, STILL_W) ** 2,
            rms_mps=_mean([(block.rms_s, block.rms_m, block.elapsed_s) for block in since]),
            speed_mps=_mean([(block.speed_s, block.speed_m, block.elapsed_s) for block in since]),
            body_c=_mean([(block.body_s, block.body_c_s, block.elapsed_s) for block in since]),
            pairs=tuple(
                (block.speed_m / block.speed_s, block.power_w)
                for block in blocks
                if block.elapsed_s >= 0.5 * BLOCK_S and block.speed_s >= MEASURED_RATIO * block.elapsed_s
            ),
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types (schema 1), exact."""
        return {"schema": 1, "closed": [_to_list(block) for block in self.closed], "open": _to_list(self.open)}

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Recent:
        """Read what `to_dict` wrote; InputError when it isn't that."""
        if data.get("schema") != 1:
            raise InputError(f"recent duty of schema {data.get('schema')!r}, this version reads 1")
        recent = Recent()
        try:
            recent.closed.extend(Block(*map(float, values)) for values in data["closed"])
            recent.open = Block(*map(float, data["open"]))
        except (KeyError, TypeError, ValueError) as err:
            raise InputError(f"recent duty lacks or garbles {err}") from err
        return recent


def _to_list(block: Block) -> list[float]:
    return [getattr(block, name) for name in Block.__slots__]


def _mean(sums: Sequence[tuple[float, float, float]]) -> float | None:
    """Return the mean of (known seconds, sum, elapsed seconds); None where too little was known."""
    known_s = sum(known for known, _, _ in sums)
    if known_s < MEASURED_RATIO * sum(elapsed for _, _, elapsed in sums) or known_s <= 0.0:
        return None
    return sum(total for _, total, _ in sums) / known_s


def _mean_w(blocks: Sequence[Block]) -> float:
    """Return the mean heat made over measured time [W]."""
    return sum(block.energy_j for block in blocks) / sum(block.power_s for block in blocks)


def _split(blocks: Sequence[Block]) -> tuple[list[Block], list[Block]]:
    """Return the blocks before and since the level of power last changed; nothing before where it never did.

    Source: the cut that leaves least squares about two means, believed when the levels are far apart.
    """
    powers = [block.power_w for block in blocks]
    count, total = len(powers), sum(powers)
    best, cut, first = 0.0, 0, 0.0
    for place, power in enumerate(powers):
        if CHANGE_BLOCKS <= place <= count - CHANGE_BLOCKS:
            gained = (first - total * place / count) ** 2 * count / (place * (count - place))
            if gained > best:
                best, cut = gained, place
        first += power
    before, since = list(blocks[:cut]), list(blocks[cut:])
    if not cut:
        return before, since
    old_w, new_w = _mean_w(before), _mean_w(since)
    if 1.0 / CHANGE_RATIO < (new_w + STILL_W) / (old_w + STILL_W) < CHANGE_RATIO:
        return [], list(blocks)
    density_s = _density_s([before, since])
    times = (BLOCK_S * len(before), BLOCK_S * len(since))
    sd_w = math.sqrt(density_s * (old_w**2 / times[0] + new_w**2 / times[1]))
    return ([], list(blocks)) if abs(new_w - old_w) < CHANGE_SD * sd_w else (before, since)


def _density_s(levels: Sequence[Sequence[Block]]) -> float:
    """Return what, over T, is the relative variance of a mean over T seconds [s]; pooled over levels.

    Source: blocks as an autoregression of order 1: variance of a mean of n is s^2 / n (1 + r) / (1 - r); r of few
    values comes out too low by (1 + 4 r) / n (Marriott and Pope 1954, from memory), their variance by the part that
    went into the mean. Both drawn to the usual.
    """
    squares = products = 0.0
    count = freedom = 0
    # A block of a second or two, the open one, says nothing about ten seconds.
    full = [[block for block in blocks if block.power_s >= MEASURED_RATIO * BLOCK_S] for blocks in levels]
    known = [blocks for blocks in full if len(blocks) >= 2]
    means = [_mean_w(blocks) for blocks in known]
    for blocks, mean_w in zip(known, means, strict=True):
        # A level near zero wanders by many times itself: held against a part of the greatest level.
        against_w = max(mean_w, SMALL_RATIO * max(means), STILL_W)
        away = [(block.power_w - mean_w) / against_w for block in blocks]
        squares += sum(value * value for value in away)
        products += sum(a * b for a, b in pairwise(away))
        count += len(away)
        freedom += 1
    likeness = USUAL_LIKENESS
    if count > 2 * USUAL_WEIGHT and squares > 0.0:
        found = products / squares
        unbiased = (found * count + freedom) / (count - 4.0 * freedom)
        likeness += (min(max(unbiased, 0.0), 1.0) - likeness) * count / (count + USUAL_WEIGHT)
    likeness = min(likeness, MOST_LIKENESS)
    stretch = (1.0 + likeness) / (1.0 - likeness)
    left = max(count - freedom * min(stretch, 0.5 * count), 0.0)
    variance = (squares + USUAL_WEIGHT * USUAL_SPREAD_RATIO**2) / (left + USUAL_WEIGHT)
    return BLOCK_S * stretch * variance
