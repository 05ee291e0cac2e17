"""Vehicle of the demo and reference files for the tests of the simulation."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dutylog.domain.vehicle import Damper, ForceAt, ForceCurve, Profile, Vehicle

ROOT = Path(__file__).resolve().parents[2]
REFERENCE = ROOT / "tests" / "data" / "reference"


@pytest.fixture
def demo_vehicle() -> Vehicle:
    """Return the demo vehicle, read by hand so that these tests need no configuration code."""
    data = tomllib.loads((ROOT / "shared" / "demo_vehicle.toml").read_text(encoding="utf-8"))
    return Vehicle(
        vehicle_id=data["vehicle"]["id"],
        name=data["vehicle"]["name"],
        dampers=tuple(
            Damper(
                position=d["position"],
                wheel=d["wheel"],
                profile=d["profile"],
                serial=d["serial"],
                calibration=tuple((float(raw), float(mm)) for raw, mm in d["calibration"]),
            )
            for d in data["damper"]
        ),
        profiles=tuple(_profile(name, p) for name, p in data["profile"].items()),
    )


def _profile(name: str, data: dict[str, Any]) -> Profile:
    speeds, forces = zip(*data["force_curve"], strict=True)
    return Profile(
        name=name,
        stroke_m=data["stroke_mm"] / 1e3,
        shaft_diameter_m=data["shaft_diameter_mm"] / 1e3,
        bore_diameter_m=data["bore_diameter_mm"] / 1e3,
        oil_mass_kg=data["oil_mass_kg"],
        body_mass_kg=data["body_mass_kg"],
        heat_capacity_j_per_k=data["heat_capacity_j_per_k"],
        force=(ForceAt(0.0, ForceCurve(speeds, forces)),),
        fade_per_k=data["fade_per_k"],
        reference_c=data["reference_c"],
        body_limit_c=data["body_limit_c"],
        oil_limit_c=data["oil_limit_c"],
    )


@pytest.fixture
def read_reference() -> Callable[[str], list[dict[str, str]]]:
    """Return a reader of reference tables; lines that begin with # are their notes."""

    def read(name: str) -> list[dict[str, str]]:
        lines = (REFERENCE / name).read_text(encoding="utf-8").splitlines()
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))

    return read


@pytest.fixture
def reference_folder() -> Path:
    """Return the folder of reference files."""
    return REFERENCE
