"""How far from the truth: the engine and the plain way, on every recording whose truth is known."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.benchmark_baseline import compute_all, load_columns, load_truck

from dutylog import config
from dutylog.engine.integrate import integrate

CASES = Path(__file__).parent / "data" / "cases"
PEAKS = ("peak_compression_mps", "peak_rebound_mps")
LEAST_ENERGY_W = 0.1
"""Below this true mean power a share means nothing, so the error is given in watts. Judgement."""


@dataclass(frozen=True, slots=True)
class Errors:
    """Worst corner of one case and sensor grade. energy: share, or W where `in_watts`; peak: share."""

    energy: float
    strokes: int
    peak: float


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    case: str
    grade: str
    in_watts: bool
    strokes_true: int
    ours: Errors
    plain: Errors


def accuracy_rows() -> Iterator[Row]:
    """Yield the rows, case by case, each sensor grade by itself."""
    for folder in sorted(path for path in CASES.iterdir() if path.is_dir()):
        truth = json.loads(folder.joinpath("truth.json").read_text(encoding="utf-8"))
        recording, vehicle_file = folder / "recording.parquet", folder / "truck.toml"
        ours = integrate(recording, config.load(vehicle_file).vehicle).to_dict()["dampers"]
        plain = compute_all(load_columns(recording), load_truck(vehicle_file))
        yield from _rows_of(folder.name, truth, ours, plain)


def _rows_of(case: str, truth: dict[str, Any], ours: dict[str, Any], plain: dict[str, Any]) -> Iterator[Row]:
    dampers, duration_s = truth["dampers"], truth["duration_s"]
    in_watts = all(d["energy_j"] / duration_s < LEAST_ENERGY_W for d in dampers.values())
    for grade in sorted({d["sensor"]["grade"] for d in dampers.values()}):
        corners = [position for position, d in dampers.items() if d["sensor"]["grade"] == grade]
        yield Row(
            case,
            grade,
            in_watts,
            max(dampers[position]["strokes"] for position in corners),
            *(
                _worst([_errors(dampers[p], result[p], duration_s if in_watts else None) for p in corners])
                for result in (ours, plain)
            ),
        )


def _worst(errors: list[Errors]) -> Errors:
    return Errors(
        max((e.energy for e in errors), key=abs),
        max((e.strokes for e in errors), key=abs),
        max((e.peak for e in errors), key=abs),
    )


def _errors(true: dict[str, Any], got: dict[str, Any], duration_s: float | None) -> Errors:
    energy_j = _beyond(true, got, "energy_j")
    return Errors(
        energy_j / (duration_s or true["energy_j"]),
        round(_beyond(true, got, "strokes")),
        max((_beyond(true, got, key) / max(true[key], 0.01) for key in PEAKS), key=abs),
    )


def _beyond(true: dict[str, Any], got: dict[str, Any], key: str) -> float:
    """Return how far off a figure is; where a fault leaves open what is true, how far outside the range."""
    low, high = true.get("ranges", {}).get(key, (true[key], true[key]))
    value = float(got[key])
    return value - min(max(value, low), high)


def accuracy_table() -> list[str]:
    """Return the table in Markdown."""
    lines = [
        "| case | sensor | energy | plain | strokes | plain | of | peak speed | plain |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in accuracy_rows():
        energies = [f"{e.energy:+z.3f} W" if row.in_watts else f"{e.energy:+z.2%}" for e in (row.ours, row.plain)]
        peaks = ["-" if row.in_watts else f"{e.peak:+z.1%}" for e in (row.ours, row.plain)]
        figures = [
            *energies,
            f"{row.ours.strokes:+d}",
            f"{row.plain.strokes:+d}",
            str(row.strokes_true),
            *peaks,
        ]
        lines.append(f"| {row.case} | {row.grade} | " + " | ".join(figures) + " |")
    return lines
