"""Marks on a shaft: how often one has gone through the seal, what that costs the seal, and how soon it wants a look.

A mark at distance d from the face of the seal head at full extension passes whenever the travel crosses d. It meets
the wiper there and the seal's lip some millimetres later, so that passes of the lip are at most these. Everything
stated of wear here is judgement: no published source gives a seal's life over a damaged shaft in such terms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dutylog.domain.wear import MARK_KINDS
from dutylog.duty.histograms import PASS_CELLS, PASS_LOWEST_MM
from dutylog.errors import InputError

PASS_M_PER_MM = 3.0
"""Metres of clean shaft that wear a seal as much as one pass of a sharp nick, for each mm of its size. Source:
judgement; a sharp nick of 1 mm at ride height passes about 10 times a metre, and a seal over it lasts some hundred hard
miles where 10 000 are usual."""
KIND_FACTORS = {"nick": 1.0, "scratch": 0.5, "pit": 0.3, "rust": 0.6}
"""Against a nick, whose edge stands up. Source: judgement: a scratch meets the lip with its end only, a pit has no
raised edge, rust is a rough field that goes on growing."""
BLUNT_FACTOR = 0.1
"""Against a sharp mark. Source: judgement; what a cloth does not catch on bends the lip instead of cutting it."""
ASSUMED_PASSES_PER_M = 10.0
"""Where too little was measured. Source: judgement; a metre is some 20 strokes, half of them over the mark."""
LEAST_SLIDING_M = 100.0
"""Measured sliding since a mark was seen, from which passes are believed to be typical. Source: judgement."""
COUNTED_MM = PASS_LOWEST_MM + PASS_CELLS - 1
"""Passes are counted up to here; strokes may be longer."""

WATCH, NEXT_SERVICE, SOON, STOP = "watch", "next service", "soon", "stop"


@dataclass(frozen=True, slots=True)
class Rule:
    """From what on a level holds: either limit is enough.

    factor: the seal wears so many times as fast. pass_m: one pass wears like so much clean shaft, though the mark may
    not have passed yet. advice: what to do.
    """

    level: str
    factor: float
    pass_m: float
    advice: str


RULES = (
    Rule(STOP, 30.0, math.inf, "don't drive on before a qualified technician has looked at it"),
    Rule(SOON, 5.0, 6.0, "have it looked at before the next long or hard drive; look for oil after every drive"),
    Rule(NEXT_SERVICE, 1.5, 1.0, "have it looked at at the next service; look for oil on shaft and body now and then"),
    Rule(WATCH, 1.0, 0.0, "look at it again whenever the damper is clean; write down if it grows"),
)
"""From most to least urgent; the first that holds counts. Source: judgement: of 10 000 hard miles a seal at 30 times
the wear lasts 330, at 5 times 2000, at 1.5 times 6700."""
CAUTION = (
    "A sharp nick cuts the seal, and a leak drops oil on brakes and hot parts, where it can burn. If oil shows, the "
    "seal leaks: stop, and have it looked at before driving on. Before anybody works on the shaft: vehicle on stands, "
    "damper cold, gas let out by the maker's procedure. Never stone, file or polish a shaft under pressure. "
    "A qualified technician decides."
)


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark as somebody saw it. distance_mm: of its middle from the face of the seal head at full extension.

    size_mm: along the shaft. is_sharp: whether a cloth catches on it.
    """

    kind: str
    distance_mm: float
    size_mm: float
    is_sharp: bool

    def __post_init__(self) -> None:
        if self.kind not in MARK_KINDS:
            raise InputError(f"mark of kind {self.kind!r:.40}, which is none of {', '.join(MARK_KINDS)}")
        if not 0.0 <= self.distance_mm < math.inf:
            raise InputError(
                f"mark at {self.distance_mm} mm: expected 0 or more, measured on the bare shaft from the face of the "
                "seal head at full extension; what is inside the head nobody sees"
            )
        if not 0.0 < self.size_mm < math.inf:
            raise InputError(f"mark of {self.size_mm} mm, expected above 0; give its length along the shaft")

    @property
    def pass_m(self) -> float:
        """Return how many metres of clean shaft wear a seal as much as one pass."""
        sharpness = 1.0 if self.is_sharp else BLUNT_FACTOR
        return PASS_M_PER_MM * KIND_FACTORS[self.kind] * sharpness * self.size_mm

    @property
    def nearest_mm(self) -> float:
        """Return the place of its edge next to the seal head."""
        return self.distance_mm - self.size_mm / 2.0

    @property
    def name(self) -> str:
        """Return it in words."""
        return f"{'sharp' if self.is_sharp else 'blunt'} {self.kind} of {self.size_mm:g} mm at {self.distance_mm:g} mm"


@dataclass(frozen=True, slots=True)
class MarkJudged:
    """What a mark means. passes_so_far: since it was seen. None: too little was measured, or miles aren't known.

    extra_sliding_m: clean shaft that would have worn the seal as much as those passes. wear_factor: how many times as
    fast the seal wears as over a clean shaft. urgency: level of one of RULES. text: without
    passes_per_mile, which the reader gets in units of his own.
    """

    passes_so_far: int | None
    passes_per_mile: float | None
    extra_sliding_m: float | None
    wear_factor: float | None
    urgency: str
    text: str
    advice: str


def judge_mark(
    mark: Mark, stroke_mm: float, passes_now: int, passes_at_record: int, miles_since: float | None, sliding_m: float
) -> MarkJudged:
    """Return what a mark has done to the seal since it was seen, and how urgent that is.

    Args:
        mark: as it was seen.
        stroke_mm: of the damper, from full extension to full bump.
        passes_now, passes_at_record: of its place, by duty.seal_passes.count_passes, now and when it was seen.
        miles_since: driven since then; None where not known.
        sliding_m: [m] of the seal over the shaft since then, as measured.
    Raises:
        InputError: passes that fell, or a number that is below 0 or not finite.
    """
    passes = passes_now - passes_at_record
    if passes < 0:
        raise InputError(f"{passes_now} seal passes, but {passes_at_record} when the mark was seen: they never fall")
    if not (0.0 < stroke_mm < math.inf and 0.0 <= sliding_m < math.inf and 0.0 <= (miles_since or 0.0) < math.inf):
        raise InputError(f"stroke {stroke_mm} mm, {sliding_m} m of sliding, {miles_since} miles: expected from 0 on")
    if mark.nearest_mm > stroke_mm:
        text = f"{mark.name}: the stroke is {stroke_mm:g} mm, so it never reaches the seal"
        return MarkJudged(0, None, 0.0, 1.0, WATCH, text, _advise(WATCH))
    if mark.nearest_mm > COUNTED_MM:
        return _judge_unmeasured(mark, f"passes are counted up to {COUNTED_MM} mm of shaft only")
    if sliding_m < LEAST_SLIDING_M:
        return _judge_unmeasured(mark, f"too little was measured since it was seen ({sliding_m:.0f} m of sliding)")
    extra_m = mark.pass_m * passes
    factor = 1.0 + extra_m / sliding_m
    per_mile = passes / miles_since if miles_since else None
    level = _find_level(factor, mark.pass_m)
    return MarkJudged(passes, per_mile, extra_m, factor, level, _say(mark, passes, sliding_m), _advise(level))


def _judge_unmeasured(mark: Mark, why: str) -> MarkJudged:
    """Return the judgement of a mark by itself: each metre of sliding is taken to pass it often."""
    level = _find_level(1.0 + mark.pass_m * ASSUMED_PASSES_PER_M, mark.pass_m)
    text = f"{mark.name}: {why}; judged as if it passed {ASSUMED_PASSES_PER_M:.0f} times in each metre of sliding"
    return MarkJudged(None, None, None, None, level, text, _advise(level))


def _find_level(factor: float, pass_m: float) -> str:
    return next(rule.level for rule in RULES if factor >= rule.factor or pass_m >= rule.pass_m)


def _advise(level: str) -> str:
    return f"{next(rule.advice for rule in RULES if rule.level == level)}. {CAUTION}"


def _say(mark: Mark, passes: int, sliding_m: float) -> str:
    """Return what was measured, in words."""
    if not passes:
        return (
            f"{mark.name}: not once through the seal in {_digits(sliding_m)} m of sliding since it was seen; a longer "
            "stroke can still take it there"
        )
    extra_m = mark.pass_m * passes
    return (
        f"{mark.name}: {passes} times through the seal since it was seen; as much wear as {_digits(extra_m)} m "
        f"of clean shaft, the seal wears {_digits(1.0 + extra_m / sliding_m)} times as fast (judgement)"
    )


def _digits(value: float) -> str:
    """Return about two digits, without an exponent."""
    rounded = float(f"{value:.2g}")
    return f"{rounded:.0f}" if rounded >= 10.0 else f"{rounded:g}"
