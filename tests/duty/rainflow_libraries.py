"""Two independent rainflow counters, brought to our classes: half cycles, closed cycles, residue.

rainflow 3.2.0 (MIT): ASTM E1049-85 section 5.4.4, three-point form; what stays open counts half.
fatpack 0.7.8 (ISC): four-point form of ISO 12110-2; gives closed cycles and residue apart. It is handed
turning points as they are: its own way of finding them rounds them to 64 levels.
"""

from __future__ import annotations

from collections import Counter

import fatpack
import numpy as np
import rainflow

from dutylog.duty.rainflow import BIN_UM


def turning_points(series_um):
    """Return first, last and every local extreme."""
    series = np.asarray(series_um, dtype=np.int64)
    series = series[np.concatenate([[True], np.diff(series) != 0])]
    rising = np.diff(series) > 0
    return np.concatenate([series[:1], series[1:-1][rising[1:] != rising[:-1]], series[-1:]])


def count_by_rainflow(series_um):
    """Return half cycles by class, closed cycles and residue together."""
    halves = Counter()
    # Whole numbers of Python, so that no range is rounded.
    for range_um, _, cycles, *_ in rainflow.extract_cycles(np.asarray(series_um, dtype=np.int64).tolist()):
        halves[range_um // BIN_UM] += round(2 * cycles)
    return dict(halves)


def count_by_fatpack(series_um):
    """Return closed cycles by class and the residue's turning points [um]."""
    cycles, residue = fatpack.find_rainflow_cycles(turning_points(series_um).tolist())
    ranges = np.abs(np.diff(cycles, axis=1)).ravel() if len(cycles) else np.empty(0, dtype=np.int64)
    return dict(Counter((ranges // BIN_UM).tolist())), residue.tolist()


def half_cycles(closed_counts, residue_um):
    """Return half cycles by class: two for a closed cycle, one for each range of the residue."""
    halves = Counter({key: 2 * count for key, count in closed_counts.items()})
    halves.update((np.abs(np.diff(residue_um)) // BIN_UM).tolist())
    return dict(halves)
