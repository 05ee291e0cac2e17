"""Make small MDF4 recordings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from asammdf import MDF, Signal

Group = Sequence[tuple[str, Any, Any]]
"""Channels of one rate: name, instants [s], values."""


def write_mdf(path: Path, *groups: Group, compression: int = 0, version: str = "4.10", master: str = "time") -> Path:
    """Write groups of channels; the channels of a group share their instants."""
    mdf = MDF(version=version)
    try:
        for group in groups:
            mdf.append(
                [Signal(np.asarray(v), np.asarray(t), name=name, master_metadata=(master, 1)) for name, t, v in group]
            )
        saved = mdf.save(path.with_suffix(".mf4"), overwrite=True, compression=compression)
    finally:
        mdf.close()
    return saved if path.suffix == ".mf4" else saved.rename(path)


def write_case(path: Path, columns: Mapping[str, Any], **options: Any) -> Path:
    """Write a table as a logger would: travel in one group, each slow channel's samples in another."""
    t_s = np.asarray(columns["t_s"])
    travel = [(name, t_s, values) for name, values in columns.items() if name.endswith("_travel_mm")]
    slow = []
    for name, values in columns.items():
        if name != "t_s" and not name.endswith("_travel_mm"):
            there = np.isfinite(values)
            slow.append([(name, t_s[there], np.asarray(values)[there])])
    return write_mdf(path, travel, *slow, **options)
