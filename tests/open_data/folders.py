"""Where the open data lies: measurements nobody of this project made, kept outside the repository."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

VARIABLE = "DUTYLOG_OPEN_DATA"
BESIDE = Path(__file__).resolve().parents[3] / "shared" / "data"


def find_folder(name):
    """Return a folder of open data; skip the test, and say why, where it is absent."""
    root = Path(os.environ.get(VARIABLE) or BESIDE)
    folder = root / name
    if not folder.is_dir():
        pytest.skip(f"open data {name} not found in {root}; name its place by {VARIABLE} (shared/OPEN_DATA.md)")
    return folder


def read_columns(path):
    """Return the columns of a comma-separated table by name, as floats."""
    with path.open() as file:
        names = next(csv.reader(file))
    values = np.loadtxt(path, delimiter=",", skiprows=1, unpack=True)
    return dict(zip(names, values, strict=True))


def read_rows(path):
    """Return the rows of a comma-separated table as dictionaries of texts."""
    with path.open() as file:
        return list(csv.DictReader(file))
