"""The arrays behind a trip's pictures: thinned to the width of a screen, and in full by half-hours.

Plain JSON types, SI units in the names, unknown is None. What was not measured is unknown, never zero.
"""

from __future__ import annotations

import gzip
import json
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.quantity import position_text
from dutylog.duty.histograms import POSITION_BIN_UM, SPEED_EDGES_MPS
from dutylog.duty.strokes import FREQUENCY_EDGES_HZ, LENGTH_BIN_UM
from dutylog.review.plot_track import make_track
from dutylog.review.review import Review
from dutylog.review.thinning import (
    Bins,
    bin_rows,
    largest_in,
    mean_in,
    smallest_in,
    sum_in,
    to_rounded,
)
from dutylog.review.trip_data import CONTACT_KINDS, DamperData, Fault, TripData
from dutylog.review.verdict_rules import FAULT_WORDS
from dutylog.units import J_PER_UJ

SCHEMA = 1
BINS = 720
"""Of time across a picture: two for each dot of a phone that is 390 wide. Source: judgement."""
DETAIL_S = 1800.0
"""Length of a file of full rows."""
POSITION_CLASS_M = 0.01
LENGTH_EDGES_M = (0.01, 0.02, 0.03, 0.04, 0.06, 0.08, 0.1, 0.15, 0.2, 0.25)
"""Classes of stroke length as shown, the outer two open: even classes of 5 mm are more rows than fit. Judgement."""
_POSITION_START_M = -0.02
_US_PER_S = 1e6


def make_plots(data: TripData, review: Review) -> dict[str, Any]:
    """Return all that the pictures of a trip show, small enough for a phone (shared/REVIEW.md has the table)."""
    bins = bin_rows(data.t_s, data.dt_s, data.end_s, BINS)
    return {
        "schema": SCHEMA,
        "seconds": round(data.end_s, 3),
        "dampers": [_describe(damper, data) for damper in data.dampers],
        "time": {
            "t_s": to_rounded(bins.start_s, 3),
            "width_s": bins.width_s,
            "body_low_c": [to_rounded(smallest_in(bins, damper.body_c), 1) for damper in data.dampers],
            "body_high_c": [to_rounded(largest_in(bins, damper.body_c), 1) for damper in data.dampers],
            "heat_w": [to_rounded(_mean_heat_w(bins, damper), 0) for damper in data.dampers],
            "heat_high_w": [to_rounded(largest_in(bins, heat_rows_w(damper)), 0) for damper in data.dampers],
            "ambient_c": to_rounded(mean_in(bins, data.ambient_c), 1),
            "vehicle_mps": to_rounded(mean_in(bins, data.vehicle_mps), 1),
        },
        "coverage": _make_coverage(data, bins),
        "faults": [_tell_fault(one, data.end_s) for one in data.faults],
        "segments": [
            {"kind": one.kind, "start_s": one.start_s, "end_s": one.end_s, "is_said": one.is_said}
            for one in review.segments
        ],
        "hits": _thin_hits(data, bins.width_s),
        "speed": _make_speed(data),
        "strokes": _make_strokes(data),
        "position": _make_position(data),
        "track": make_track(data, review.segments),
    }


def make_details(data: TripData) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield ('detail-NN', full rows) of each half-hour that has any; dampers in the order of the plots."""
    for part in range(math.ceil(data.end_s / DETAIL_S)):
        first, last = np.searchsorted(data.t_s, [part * DETAIL_S, (part + 1) * DETAIL_S])
        rows = slice(int(first), int(last))
        if first == last:
            continue
        yield (
            f"detail-{part:02d}",
            {
                "schema": SCHEMA,
                "part": part,
                "t_s": to_rounded(data.t_s[rows], 2),
                "body_c": [to_rounded(damper.body_c[rows], 1) for damper in data.dampers],
                "heat_w": [to_rounded(heat_rows_w(damper)[rows], 0) for damper in data.dampers],
                "vehicle_mps": to_rounded(data.vehicle_mps[rows], 1),
            },
        )


def encode(content: dict[str, Any]) -> bytes:
    """Return compressed JSON, the same bytes for the same content."""
    text = json.dumps(content, separators=(",", ":"), allow_nan=False)
    return gzip.compress(text.encode(), 9, mtime=0)


def heat_rows_w(damper: DamperData) -> NDArray[np.float64]:
    """Return the heat [W] of each row over its measured time, NaN where nothing was measured."""
    measured_s = damper.measured_us / _US_PER_S
    known = measured_s > 0
    return np.where(known, damper.energy_uj * J_PER_UJ / np.where(known, measured_s, 1.0), np.nan)


def _mean_heat_w(bins: Bins, damper: DamperData) -> NDArray[np.float64]:
    measured_s = sum_in(bins, damper.measured_us / _US_PER_S)
    known = measured_s > 0
    return np.where(known, sum_in(bins, damper.energy_uj * J_PER_UJ) / np.where(known, measured_s, 1.0), np.nan)


def _describe(damper: DamperData, data: TripData) -> dict[str, Any]:
    twins = sum(one.position == damper.position for one in data.dampers)
    limit_c = None
    for one in data.vehicle.dampers:
        if one.position == damper.position:
            limit_c = data.vehicle.profile_of(one).body_limit_c
    return {
        "position": damper.position,
        # Where a damper was swapped on the way, both bear the name of their place.
        "label": damper.label if twins > 1 else "",
        "stroke_m": damper.stroke_m,
        "bump_stop_m": damper.bump_stop_m,
        "strap_m": damper.strap_m,
        "body_limit_c": limit_c,
    }


def _make_coverage(data: TripData, bins: Bins) -> list[dict[str, Any]]:
    """Return the share measured, by place: a damper that came on the way goes on where the other left off."""
    places = list(dict.fromkeys(damper.position for damper in data.dampers))
    long_s = np.maximum(sum_in(bins, data.dt_s), 1e-9)
    found = []
    for place in places:
        there = [damper for damper in data.dampers if damper.position == place]
        measured_s = sum_in(bins, np.sum([damper.measured_us for damper in there], axis=0) / _US_PER_S)
        found.append({"position": place, "measured_ratio": to_rounded(np.minimum(measured_s / long_s, 1.0), 3)})
    return found


def _tell_fault(fault: Fault, end_s: float) -> dict[str, Any]:
    end = end_s if fault.end_s is None else fault.end_s
    words = FAULT_WORDS.get(fault.kind, position_text(fault.kind))
    return {"position": fault.position, "kind": fault.kind, "words": words, "start_s": fault.start_s, "end_s": end}


def _thin_hits(data: TripData, width_s: float) -> list[dict[str, Any]]:
    """Return the hardest contact of each kind and damper within a dot's width, with how many there were."""
    hardest: dict[tuple[str, str, int], dict[str, Any]] = {}
    for one in data.contacts:
        key = (one.kind, one.position, int(one.t_s // width_s))
        before = hardest.get(key)
        count = 1 if before is None else before["count"] + 1
        if before is None or one.speed_mps > before["speed_mps"]:
            before = {"kind": one.kind, "position": one.position, "t_s": round(one.t_s, 2)}
            before["speed_mps"] = round(float(one.speed_mps), 3)
        hardest[key] = {**before, "count": count}
    return sorted(hardest.values(), key=lambda hit: (CONTACT_KINDS.index(hit["kind"]), hit["t_s"]))


def _make_speed(data: TripData) -> dict[str, Any]:
    return {
        "edges_mps": list(SPEED_EDGES_MPS),
        "energy_ratio": [_shares(damper.energy_by_speed_uj) for damper in data.dampers],
        "time_ratio": [_shares(damper.time_by_speed_ns) for damper in data.dampers],
    }


def _make_strokes(data: TripData) -> dict[str, Any]:
    """Return strokes by length and frequency: [class of length, class of frequency, count] where there are any."""
    edges = np.array([round(edge * 1e6 / LENGTH_BIN_UM) for edge in LENGTH_EDGES_M])
    starts = np.concatenate([[0], edges])
    counts = []
    for damper in data.dampers:
        table = np.add.reduceat(damper.strokes_by_length_frequency, starts, axis=0)
        rows, columns = np.nonzero(table)
        counts.append([[int(r), int(c), int(table[r, c])] for r, c in zip(rows, columns, strict=True)])
    return {"length_edges_m": list(LENGTH_EDGES_M), "frequency_edges_hz": list(FREQUENCY_EDGES_HZ), "counts": counts}


def _make_position(data: TripData) -> dict[str, Any]:
    """Return the share of time by travel in classes of POSITION_CLASS_M from start_m on, up to the longest stroke."""
    pairs = round(POSITION_CLASS_M * 1e6 / POSITION_BIN_UM)
    longest_m = max((damper.stroke_m for damper in data.dampers), default=0.0)
    shares = []
    for damper in data.dampers:
        times = damper.time_by_position_ns
        wide = np.add.reduceat(times, np.arange(0, len(times), pairs))
        keep = min(len(wide), math.ceil((longest_m - _POSITION_START_M) / POSITION_CLASS_M) + 2)
        wide[keep - 1] += wide[keep:].sum()
        shares.append(_shares(wide[:keep]))
    contacts = [
        {
            kind: sum(hit.kind == kind and hit.position == damper.position for hit in data.contacts)
            for kind in CONTACT_KINDS
        }
        for damper in data.dampers
    ]
    return {"start_m": _POSITION_START_M, "class_m": POSITION_CLASS_M, "time_ratio": shares, "contacts_count": contacts}


def _shares(counts: NDArray[np.int64]) -> list[float]:
    total = int(counts.sum())
    return [round(int(count) / total, 5) if total else 0.0 for count in counts]
