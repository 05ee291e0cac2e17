"""Tiles of two recordings with known heat, as the engine makes them, and that truth.

The recordings themselves (10 MB) aren't part of the repository. What the engine makes of them is, in
tests/data/heat/NAME.json.gz, with the truth beside it: `python tests/heat/case_tiles.py FOLDER...` makes the files
anew from the folders of the recordings; tests/heat/test_case_tiles.py compares both where the recordings are at hand.
"""

from __future__ import annotations

import functools
import gzip
import json
import os
import sys
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

from dutylog import config
from dutylog.domain.heat_input import HeatInput
from dutylog.domain.vehicle import Profile, Vehicle
from dutylog.engine.integrate import integrate
from dutylog.engine.output import HeatReset, TileHeat

STORED = Path(__file__).parents[1] / "data" / "heat"
CASES_VARIABLE = "DUTYLOG_CASES"
CASES = Path(__file__).resolve().parents[3] / "shared" / "cases"
NAMES = ("H_heatsoak", "I_fade")
DIGITS = 7
"""Significant digits kept of each value: a hundred times finer than any tolerance."""

Tiles = dict[str, list[tuple[float, HeatInput]]]


@dataclass(frozen=True)
class Case:
    """A vehicle, (end [s], input) of each tile by position, and the truth as its truth.json has it."""

    vehicle: Vehicle
    tiles: Tiles
    truth: dict[str, Any]

    def profile(self, position: str) -> Profile:
        return self.vehicle.profile_of(next(d for d in self.vehicle.dampers if d.position == position))

    def thermal(self, position: str) -> dict[str, Any]:
        thermal: dict[str, Any] = self.truth["dampers"][position]
        return thermal


@functools.cache
def load_case(name: str) -> Case:
    """Return a case as it is stored."""
    with gzip.open(STORED / f"{name}.json.gz", "rt", encoding="utf-8") as file:
        data = json.load(file)
    tiles = {
        position: [(end_s, HeatInput(*values)) for end_s, *values in rows] for position, rows in data["tiles"].items()
    }
    return Case(Vehicle.from_dict(data["vehicle"]), tiles, data["truth"])


def case_folder(name: str) -> Path | None:
    """Return the folder of a recording, None where it isn't at hand."""
    folder = Path(os.environ.get(CASES_VARIABLE, CASES)) / name
    return folder if (folder / "recording.parquet").is_file() else None


def make_tiles(folder: Path) -> tuple[Vehicle, Tiles]:
    """Return what the engine makes of a recording now."""
    vehicle, tiles = config.load(folder / "truck.toml").vehicle, {}

    def take(_vehicle: Vehicle, rows: list[TileHeat | HeatReset]) -> None:
        for row in rows:
            if isinstance(row, TileHeat):
                tiles.setdefault(row.position, []).append((row.end_ns * 1e-9, row.heat))

    integrate(folder / "recording.parquet", vehicle, on_heat=take)
    return vehicle, tiles


def _store(folder: Path) -> None:
    vehicle, tiles = make_tiles(folder)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    data = {
        "vehicle": vehicle.to_dict(),
        "tiles": {
            position: [[_short(value) for value in (end_s, *astuple(heat))] for end_s, heat in rows]
            for position, rows in tiles.items()
        },
        "truth": {
            "faults": truth.get("faults", []),
            "dampers": {position: damper["thermal"] for position, damper in truth["dampers"].items()},
        },
    }
    text = json.dumps(data, separators=(",", ":"))
    # No time in the header: the same content is the same file.
    (STORED / f"{folder.name}.json.gz").write_bytes(gzip.compress(text.encode(), 9, mtime=0))


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.{DIGITS}g}")


if __name__ == "__main__":
    for argument in sys.argv[1:]:
        _store(Path(argument))
