"""Kinds of road from what the wheels say: the likeliest sequence of stretches, short ones merged.

Each row gets a score for each state (a kind of road, rough ones at several levels); a change of state costs. The
sequence with the highest sum is the answer (Viterbi), so edges stay sharp and single rows change nothing.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby

import numpy as np

from dutylog.review.road import RoadFinder, RoadRows
from dutylog.review.road_speed import find_speed_mps
from dutylog.review.trip_data import GRADED, JUMPS, PARKED, ROAD_KINDS, ROUGH, STREET, WASHBOARD, Floats, Mask, Segment
from dutylog.review.washboard import score_washboard

__all__ = ["RoadFinder", "RoadRows", "find_segments"]

LEVELS = {
    STREET: (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 2.7),
    GRADED: (3.3, 4.2, 5.2),
    ROUGH: (5.8, 6.6, 7.6, 8.6, 9.6),
}
"""Levels a road of each kind may have: log2 of Gd(n0) by 16e-6 m3; classes A, B, C, D, E of ISO 8608 are 0, 2, 4, 6, 8.

The standard's classes are from memory. Street ends half-way between B and C; graded road reaches to a little over 1.4
times the heights of C.
"""
LEVEL_DOUBT, BY_DELAY_DOUBT, UNKNOWN_DOUBT = 0.8, 1.0, 1.2
"""Standard deviation of a row's level: speed told, from the delay between axles, unknown. Measured, simulated."""
MOST_LOSS = 4.0
"""A row tells against a state with no more than that, in nats: one pothole doesn't make a rough road. Judgement."""
SWITCH_KIND, SWITCH_LEVEL = 9.0, 3.0
"""What a change costs, in nats. Judgement: a new kind of road must be seen for some four rows."""
STILL_MPS = 1.0
"""At most so fast, as in `Engine`: stopped."""
STILL_LEVEL = -19.0
"""Level below which nothing rolls where speed isn't known: class A at 0.5 m/s; a sensor's noise lies below -24."""
STOP_S = 20.0
SHORT_S = 10.0
"""Stops shorter than the first and other stretches shorter than the second go to a neighbour."""
HOLE_S = 0.5
"""Rows further apart have part of the trip missing between them."""
A_SPEED_POWER = float((2.0 * np.pi * 0.1) ** 2 * 16e-6)
"""Vertical speed power of class A at 1 m/s [m2/s2/Hz]: (2 pi n0)^2 Gd(n0) v, waviness 2 (ISO 8608, derivation)."""
RESPONSE_LEVEL = 0.4
"""How much stronger than the road the wheels move in BAND_HZ, log2 of power. Measured on simulated drives."""
UNKNOWN_MPS = 15.0
"""Speed where nothing tells it. Judgement: people drive 10 to 25 m/s."""
SPEED_HOLE_S = 5.0
"""Speed is bridged over holes of that length."""
LOUD_LEVEL, LOUD_ROWS = -10.0, 30
"""Where most of so many rows on either side are louder, a speed of zero isn't believed: class C at 7 m/s. Judgement."""
FLIGHT_S = 0.08
"""Time with all wheels hanging, over two rows, from which a flight is a jump.

Measured on simulated drives: ramps of 0.35 to 0.5 m make 0.1 to 0.6 s; two and a half hours without ramps, half an
hour of them rough with bumps, none at all.
"""
LANDING_RATIO = 0.7
"""Mean of the dampers' largest travel by stroke from which it lands hard. Judgement: it stands at 0.4."""
JUMP_GAP_M, JUMP_MEAN_M, JUMPS_COUNT = 320.0, 200.0, 3
"""Jumps further apart than the first, or on average than the second, or fewer than the last are single ones."""

_STATES = (
    *((kind, level) for kind, levels in LEVELS.items() for level in levels),
    *((kind, None) for kind in (WASHBOARD, JUMPS, PARKED)),
)
_KINDS = [kind for kind, _ in _STATES]


def find_segments(rows: RoadRows) -> tuple[Segment, ...]:
    """Return the stretches of one kind of road, in order; together they cover all rows.

    Args:
        rows: of `RoadFinder.rows`, in order of time. Where part of the trip is missing between them, a stretch ends.
    """
    if not rows.count:
        return ()
    ends_s = rows.t_s + rows.dt_s
    cuts = np.nonzero(rows.t_s[1:] - ends_s[:-1] > HOLE_S)[0] + 1
    found: list[Segment] = []
    line = score_washboard(rows, MOST_LOSS)
    for start, end in zip([0, *cuts.tolist()], [*cuts.tolist(), rows.count], strict=True):
        found += _merge_short(_stretches(rows.part(start, end), line[start:end]))
    return tuple(found)


def _stretches(rows: RoadRows, line: Floats) -> list[Segment]:
    """Return the likeliest stretches of rows without a hole."""
    path = _best_path(_scores(rows, line))
    found, first = [], 0
    for kind, group in groupby(_KINDS[state] for state in path):
        end = first + len(list(group))
        last = end == rows.count
        end_s = float(rows.t_s[-1] + rows.dt_s[-1]) if last else float(rows.t_s[end])
        found.append(Segment(kind, float(rows.t_s[first]), end_s))
        first = end
    return found


def _scores(rows: RoadRows, line: Floats) -> Floats:
    """Return how much each row tells for each state (rows, states) [nats]; `line`: for washboard."""
    told = _bridged_mps(rows)
    told[(told <= STILL_MPS) & _is_loud_for_long(rows)] = np.nan
    is_told = np.isfinite(told)
    by_delay = np.full(rows.count, np.nan) if is_told.all() else find_speed_mps(rows)
    mps = np.where(is_told, told, np.where(np.isfinite(by_delay), by_delay, UNKNOWN_MPS))
    doubt = np.where(is_told, LEVEL_DOUBT, np.where(np.isfinite(by_delay), BY_DELAY_DOUBT, UNKNOWN_DOUBT))
    is_known = np.isfinite(rows.level)
    level = np.where(is_known, rows.level, 0.0) - np.log2(A_SPEED_POWER * np.maximum(mps, STILL_MPS)) - RESPONSE_LEVEL
    is_still = np.where(is_told, told <= STILL_MPS, np.where(is_known, rows.level < STILL_LEVEL, ~rows.moving))
    scores = np.zeros((rows.count, len(_STATES)))
    for column, (kind, centre) in enumerate(_STATES):
        if centre is not None:
            loss = np.minimum(0.5 * ((level - centre) / doubt) ** 2, MOST_LOSS)
            scores[:, column] = np.where(is_known, -loss, 0.01 * (kind == GRADED))
    scores[:, _KINDS.index(WASHBOARD)] = np.where(np.isfinite(line), line, -0.5)
    scores[:, _KINDS.index(JUMPS)] = np.where(_among_jumps(rows, mps), 4.0, -6.0)
    scores[:, _KINDS.index(PARKED)] = np.where(is_still, 4.0, -8.0)
    return scores


def _is_loud_for_long(rows: RoadRows) -> Mask:
    """Return where the dampers work as on a road for most of a while: people who climb in don't take that long."""
    loud = np.concatenate(([0.0], np.cumsum(rows.level > LOUD_LEVEL)))
    row = np.arange(rows.count)
    first, last = np.maximum(row - LOUD_ROWS, 0), np.minimum(row + LOUD_ROWS + 1, rows.count)
    return np.asarray(loud[last] - loud[first] > 0.5 * (last - first))


def _bridged_mps(rows: RoadRows) -> Floats:
    """Return the speed with short holes bridged, NaN where it isn't known."""
    mps = np.abs(rows.vehicle_mps.astype(np.float64))
    known = np.nonzero(np.isfinite(mps))[0]
    if not len(known):
        return mps
    after = np.searchsorted(known, np.arange(rows.count)).clip(0, len(known) - 1)
    before = (np.searchsorted(known, np.arange(rows.count), side="right") - 1).clip(0)
    gap_s = np.abs(rows.t_s[known[after]] - rows.t_s[known[before]])
    bridged = np.interp(rows.t_s, rows.t_s[known], mps[known])
    is_inside = (np.arange(rows.count) >= known[0]) & (np.arange(rows.count) <= known[-1])
    return np.where(is_inside & (gap_s <= SPEED_HOLE_S + 1.0), bridged, np.nan)


def _among_jumps(rows: RoadRows, mps: Floats) -> Mask:
    """Return where jumps follow each other closely, and half their distance before and after."""
    aloft_s = np.nan_to_num(rows.aloft_s)
    landing = np.nan_to_num(rows.landing_ratio)
    over_two_s = aloft_s + np.append(aloft_s[1:], 0.0)
    lands = np.maximum(landing, np.append(landing[1:], 0.0)) >= LANDING_RATIO
    hits = np.nonzero((over_two_s >= FLIGHT_S) & lands & (aloft_s > 0.0))[0]
    jumps = [int(row) for number, row in enumerate(hits) if number == 0 or row - hits[number - 1] > 1]
    way_m = np.cumsum(mps * rows.dt_s)
    among = np.zeros(rows.count, dtype=bool)
    group: list[int] = []
    for row in [*jumps, None]:
        if group and (row is None or way_m[row] - way_m[group[-1]] > JUMP_GAP_M):
            _mark_jumps(among, way_m, group)
            group = []
        if row is not None:
            group.append(row)
    return among


def _mark_jumps(among: Mask, way_m: Floats, group: list[int]) -> None:
    """Mark the rows of jumps that follow each other, if there are enough of them close enough."""
    if len(group) < JUMPS_COUNT:
        return
    mean_m = (way_m[group[-1]] - way_m[group[0]]) / (len(group) - 1)
    if mean_m <= JUMP_MEAN_M:
        reach_m = 0.5 * mean_m
        among |= (way_m >= way_m[group[0]] - reach_m) & (way_m <= way_m[group[-1]] + reach_m)


def _best_path(scores: Floats) -> list[int]:
    """Return the sequence of states whose scores less the costs of changes are highest.

    Source:
        Viterbi's algorithm (Viterbi 1967, from memory).
    """
    kinds = np.array([ROAD_KINDS.index(kind) for kind in _KINDS])
    cost = np.where(kinds[:, None] == kinds, SWITCH_LEVEL, SWITCH_KIND) * (1.0 - np.eye(len(kinds)))
    came_from = np.empty(scores.shape, dtype=np.int8)
    best = scores[0].copy()
    states = np.arange(len(kinds))
    for row in range(1, len(scores)):
        arriving = best[:, None] - cost
        came_from[row] = came = arriving.argmax(axis=0)
        best = arriving[came, states] + scores[row]
    path = [int(best.argmax())]
    for row in range(len(scores) - 1, 0, -1):
        path.append(int(came_from[row, path[-1]]))
    return path[::-1]


def _merge_short(found: list[Segment]) -> list[Segment]:
    """Return stretches of which none is too short, as long as there is a neighbour to take it."""
    kept = list(found)
    while len(kept) > 1:
        spans_s = [s.end_s - s.start_s - (STOP_S if s.kind == PARKED else SHORT_S) for s in kept]
        place = int(np.argmin(spans_s))
        if spans_s[place] >= 0.0:
            break
        around = [n for n in (place - 1, place + 1) if 0 <= n < len(kept)]
        taker = max(around, key=lambda n: (kept[n].kind != PARKED, kept[n].end_s - kept[n].start_s))
        kept[place] = replace(kept[place], kind=kept[taker].kind)
        kept = [
            replace(run[0], end_s=run[-1].end_s)
            for run in (list(group) for _, group in groupby(kept, key=lambda s: s.kind))
        ]
    return kept
