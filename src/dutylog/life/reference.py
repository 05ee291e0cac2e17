"""What a mile of each surface and mix does to a damper of the reference vehicle, and what budgets rest on.

`python -m dutylog.life.reference` drives all set-ups of life/setups.py in the simulation and writes what a mile brings
(energy, strokes, sliding of each damper) beside this module. Doses are worked out from that when they are asked for, so
they follow the coefficients of life/parts.py.
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from dutylog import ENGINE
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.life.doses import compute_shares
from dutylog.life.mixes import Leg, compute_mile_doses
from dutylog.life.parts import MECHANISMS, RULES, Rules, WearPart
from dutylog.life.setups import SHARES, SURFACES, Rates, SetUp, make_setups, simulate

FILE = "reference_doses.json"
REFERENCE = "reference"
SEED, RUNS, SECONDS, WARM_S = 8, 8, 240.0, 15.0
"""How it is simulated: eight roads of four minutes each. With two other seeds energy and sliding of a damper were
1.5 % off at worst, means over four dampers 1.0 %, strokes 3 %."""
REMEDY = "make it anew with `python -m dutylog.life.reference`"


@dataclass(frozen=True, slots=True)
class Driven:
    """One set-up as it was simulated. rates: by surface and position."""

    vehicle: Vehicle
    rates: Mapping[str, Mapping[str, Rates]]


def per_mile(road: str, rules: Rules = RULES) -> Mapping[str, float]:
    """Return the doses that a mile brings on the reference vehicle by mechanism, mean over its dampers.

    Args:
        road: a surface or a mix. rules: other coefficients than the usual.
    Raises:
        InputError: no such road; the text names those that exist.
    """
    if road not in SHARES and road not in SURFACES:
        raise InputError(f"road {road!r:.40}: expected one of {', '.join([*SHARES, *SURFACES])}")
    return per_mile_of(tuple(SHARES.get(road, {road: 1.0}).items()), rules)


@functools.cache
def per_mile_of(
    shares: tuple[tuple[str, float], ...],
    rules: Rules = RULES,
    setup: str = REFERENCE,
) -> Mapping[str, float]:
    """Return the same for any shares of surfaces, which add up to 1, and any set-up.

    Raises:
        InputError: a set-up or surface that wasn't simulated, or shares that don't add up.
    """
    driven = read_driven().get(setup)
    if driven is None or any(surface not in driven.rates for surface, _ in shares):
        raise InputError(f"set-up {setup!r:.40} on {[surface for surface, _ in shares]} wasn't simulated; {REMEDY}")
    if abs(math.fsum(share for _, share in shares) - 1.0) > 1e-9:
        raise InputError(f"shares {shares} of surfaces, expected a sum of 1")
    each = []
    for damper in driven.vehicle.dampers:
        legs = [
            Leg(driven.rates[surface][damper.position], SURFACES[surface].speed_mps, share) for surface, share in shares
        ]
        each.append(compute_mile_doses(driven.vehicle.profile_of(damper), legs, rules))
    return MappingProxyType({name: math.fsum(doses[name] for doses in each) / len(each) for name in MECHANISMS})


@functools.cache
def reference_doses(rules: Rules = RULES) -> Mapping[str, float]:
    """Return the doses of `budget_miles` of the hard mix, by mechanism."""
    miles = rules.value("budget_miles")
    return MappingProxyType({name: miles * dose for name, dose in per_mile("hard", rules).items()})


def share_per_mile(part: WearPart, doses: Mapping[str, float], rules: Rules = RULES) -> float:
    """Return the used share of a part that the doses of a mile bring."""
    return float(compute_shares(part, {name: np.array([dose]) for name, dose in doses.items()}, rules)[0])


def street_share_per_mile(part: WearPart, rules: Rules = RULES) -> float:
    """Return the used share of a part by a mile of pure street; 0 for parts that only the calendar ends."""
    return share_per_mile(part, per_mile("street", rules), rules)


def street_miles(part: WearPart, share: float) -> float:
    """Return the miles of pure street on the reference vehicle that use up the same share of a part.

    Raises:
        InputError: a part that doesn't wear by use.
    """
    by_mile = street_share_per_mile(part)
    if by_mile <= 0.0:
        raise InputError(f"{part.name} wears by the calendar, not by miles")
    return share / by_mile


@functools.cache
def read_driven() -> Mapping[str, Driven]:
    """Return all set-ups by key, as they were simulated."""
    return parse_driven(files("dutylog.life").joinpath(FILE).read_text(encoding="utf-8"))


def parse_driven(text: str) -> Mapping[str, Driven]:
    """Return set-ups from the text of the file.

    Raises:
        InputError: no such file, of another engine, or a figure in it that can't be.
    """
    try:
        data = json.loads(text)
        if data["schema"] != 1 or data["engine"] != ENGINE:
            raise InputError(
                f"{FILE}: schema {data['schema']}, engine {data['engine']}, expected 1, {ENGINE}; {REMEDY}"
            )
        found = {key: _parse_setup(setup) for key, setup in data["setups"].items()}
    except (KeyError, TypeError, ValueError) as err:
        if isinstance(err, InputError):
            raise
        raise InputError(f"{FILE} lacks or garbles {err}; {REMEDY}") from err
    if REFERENCE not in found:
        raise InputError(f"{FILE} has no set-up {REFERENCE!r}; {REMEDY}")
    return MappingProxyType(found)


def drive_setup(setup: SetUp, seed: int = SEED, seconds: float = SECONDS, runs: int = RUNS) -> dict[str, Any]:
    """Return one set-up, simulated on every surface, as it stands in the file."""
    surfaces = {
        key: {position: asdict(rates) for position, rates in driven.items()}
        for key, driven in (
            (key, simulate(setup, SURFACES[key], seed, seconds, WARM_S, runs)) for key in setup.surfaces
        )
    }
    return {
        "vehicle": setup.vehicle.to_dict(),
        "sprung_kg": list(setup.sprung_kg),
        "unsprung_kg": list(setup.unsprung_kg),
        "tyre_n_per_m": setup.tyre_n_per_m,
        "by_mile": _shorten(surfaces),
    }


def encode_driven(setups: Mapping[str, SetUp]) -> str:
    """Return the text of the file: all set-ups, simulated."""
    data = {
        "schema": 1,
        "engine": ENGINE,
        "what": "simulated: what a mile of each surface brings to each damper, warm",
        "seed": SEED,
        "roads": RUNS,
        "counted_s_each": SECONDS,
        "warm_s_each": WARM_S,
        "speeds_mps": {surface.key: surface.speed_mps for surface in SURFACES.values()},
        "setups": {key: drive_setup(setup) for key, setup in setups.items()},
    }
    return json.dumps(data, indent=1) + "\n"


def _parse_setup(data: Mapping[str, Any]) -> Driven:
    vehicle = Vehicle.from_dict(data["vehicle"])
    rates = {
        surface: {damper.position: _parse_rates(by_position[damper.position]) for damper in vehicle.dampers}
        for surface, by_position in data["by_mile"].items()
    }
    return Driven(vehicle, MappingProxyType(rates))


def _parse_rates(data: Mapping[str, Any]) -> Rates:
    rates = Rates(float(data["energy_j"]), float(data["strokes_count"]), float(data["sliding_m"]))
    if not all(0.0 < value < math.inf for value in asdict(rates).values()):
        raise ValueError(f"rates {asdict(rates)}, expected above 0")
    return rates


def _shorten(value: Any) -> Any:
    """Return data with seven digits a number: more than the simulation's doubt, and the same file on every machine."""
    if isinstance(value, float):
        return float(f"{value:.7g}")
    if isinstance(value, dict):
        return {key: _shorten(one) for key, one in value.items()}
    return [_shorten(one) for one in value] if isinstance(value, list | tuple) else value


if __name__ == "__main__":
    Path(__file__).with_name(FILE).write_text(encode_driven(make_setups()), encoding="utf-8")
