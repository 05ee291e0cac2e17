"""A vehicle, its dampers and their profiles: plain data in SI units, no input or output.

The dictionary form (`to_dict`, `from_dict`) is what a `config` frame of the raw log carries; field
tables in shared/RECORDING.md. Checks for people live in `dutylog.config`; here only impossible
values are refused.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from dutylog.errors import InputError

CONSTRUCTIONS = ("floating_piston", "bladder", "emulsion", "twin_tube")
"""What parts gas from oil: a piston with a seal, a bladder, nothing; or a second tube around the first."""
RESERVOIRS = ("none", "attached", "hose")
"""Where the oil that the shaft pushes out goes: stays in the body, a can on it, a can at the end of a hose."""
JOINTS = ("rod_end", "bushing")
"""What the ends turn in."""
LEAD_DAYS = 21
"""Until parts and a free bench are there, unless somebody says otherwise. Source: judgement."""


@dataclass(frozen=True, slots=True)
class ForceCurve:
    """Damping force over shaft speed, gas force excluded; linear between points, end slopes extended.

    speeds_mps: strictly increasing [m/s], compression positive. forces_n: [N], F * v >= 0.
    """

    speeds_mps: tuple[float, ...]
    forces_n: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.speeds_mps) != len(self.forces_n) or len(self.speeds_mps) < 2:
            raise InputError("a force curve needs at least two points of speed and force")

    def compute_force_n(self, speed_mps: float) -> float:
        """Return the force [N] at one shaft speed [m/s]; for tables and tests, the engine works on arrays."""
        inner = bisect.bisect_right(self.speeds_mps, speed_mps, 1, len(self.speeds_mps) - 1)
        v0, v1 = self.speeds_mps[inner - 1], self.speeds_mps[inner]
        f0, f1 = self.forces_n[inner - 1], self.forces_n[inner]
        return f0 + (speed_mps - v0) * (f1 - f0) / (v1 - v0)


@dataclass(frozen=True, slots=True)
class ForceAt:
    """A force curve that holds at one travel [m]."""

    travel_m: float
    curve: ForceCurve


@dataclass(frozen=True, slots=True)
class Profile:
    """What a kind of damper is: geometry, masses, force and limits.

    force: one entry (force independent of travel, its travel_m unused) or several with strictly
    increasing travel_m: linear in travel at constant speed, held outside.
    Fade: force * (1 - fade_per_k * max(0, T_body - reference_c)).
    has_base_valve: None where nobody said. charge_pa: gauge pressure of the nitrogen at full extension, cold.
    gas_volume_m3: its room there. Both None where not given.
    construction, reservoir, joints: one of CONSTRUCTIONS, RESERVOIRS, JOINTS; which parts there are to wear.
    is_rebuildable: False where a worn one is replaced whole. lead_days: until parts for it are there.
    """

    name: str
    stroke_m: float
    shaft_diameter_m: float
    bore_diameter_m: float
    oil_mass_kg: float
    body_mass_kg: float
    heat_capacity_j_per_k: float
    force: tuple[ForceAt, ...]
    fade_per_k: float
    reference_c: float
    body_limit_c: float
    oil_limit_c: float | None = None
    has_base_valve: bool | None = None
    charge_pa: float | None = None
    gas_volume_m3: float | None = None
    construction: str = "floating_piston"
    reservoir: str = "none"
    joints: str = "rod_end"
    is_rebuildable: bool = True
    lead_days: int = LEAD_DAYS

    @property
    def shaft_area_m2(self) -> float:
        """Return the cross section of the shaft."""
        return math.pi / 4.0 * self.shaft_diameter_m**2

    @property
    def bore_area_m2(self) -> float:
        """Return the cross section of the bore."""
        return math.pi / 4.0 * self.bore_diameter_m**2


@dataclass(frozen=True, slots=True)
class Setting:
    """What the adjusters of a damper stand on from a day (UTC) on. Clicks count from fully open, None: not told."""

    from_day: date
    name: str
    compression_clicks: int | None = None
    rebound_clicks: int | None = None

    def has_same_adjusters(self, other: Setting) -> bool:
        """Return whether the adjusters stand alike, whatever the day; the name may tell of more than the two clicks."""
        return replace(self, from_day=other.from_day) == other

    def to_dict(self) -> dict[str, Any]:
        """Return the dictionary form, which entries of the ledger carry as well."""
        return {
            "from_day": self.from_day.isoformat(),
            "name": self.name,
            "compression_clicks": self.compression_clicks,
            "rebound_clicks": self.rebound_clicks,
        }

    @staticmethod
    def from_dict(data: Mapping[str, Any]) -> Setting:
        """Read the dictionary form; KeyError, TypeError or ValueError when it isn't one."""
        clicks = (data["compression_clicks"], data["rebound_clicks"])
        if not all(count is None or type(count) is int for count in clicks):
            raise ValueError(f"clicks {clicks}")
        return Setting(date.fromisoformat(data["from_day"]), str(data["name"]), *clicks)


@dataclass(frozen=True, slots=True)
class Damper:
    """One place for a damper on the vehicle.

    position: free name, unique. wheel: the corner it belongs to (defaults to the position).
    serial: the unit that sits there at first start, or None. travel_from: position whose travel
    sensor is used (None: its own). travel_map: ((mm of that sensor, mm here), ...) when shared.
    calibration: ((raw counts, mm), ...) strictly increasing raw, empty when the source gives mm.
    body_offset_k: added to what its body thermocouple reads.
    settings: what its adjusters stand on, by the day from which on.
    bump_stop_m, strap_m: travel at which the bump stop touches and at which the limit strap is taut; None: none told.
    """

    position: str
    wheel: str
    profile: str
    serial: str | None = None
    travel_from: str | None = None
    travel_map: tuple[tuple[float, float], ...] = ()
    calibration: tuple[tuple[float, float], ...] = ()
    body_offset_k: float = 0.0
    settings: tuple[Setting, ...] = ()
    bump_stop_m: float | None = None
    strap_m: float | None = None


def setting_on(damper: Damper, day: date) -> Setting | None:
    """Return what the adjusters of a place stand on at a day, None before the first that was told."""
    begun = [setting for setting in damper.settings if setting.from_day <= day]
    return max(begun, key=lambda setting: setting.from_day, default=None)


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A vehicle with its dampers in the order of the configuration."""

    vehicle_id: str
    name: str
    dampers: tuple[Damper, ...]
    profiles: tuple[Profile, ...]

    def profile_of(self, damper: Damper) -> Profile:
        """Return the profile a damper names; InputError when there is none."""
        for profile in self.profiles:
            if profile.name == damper.profile:
                return profile
        raise InputError(f"damper {damper.position} names profile {damper.profile}, which is not there")

    def to_dict(self) -> dict[str, Any]:
        """Return the dictionary form (schema 1): JSON types only, SI units in the key names."""
        return {
            "schema": 1,
            "vehicle_id": self.vehicle_id,
            "name": self.name,
            "dampers": [_damper_to_dict(d) for d in self.dampers],
            "profiles": [_profile_to_dict(p) for p in self.profiles],
        }

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Vehicle:
        """Read the dictionary form; InputError when it isn't one of schema 1."""
        if data.get("schema") != 1:
            raise InputError(f"vehicle data of schema {data.get('schema')!r}, this version reads 1")
        try:
            return Vehicle(
                vehicle_id=str(data["vehicle_id"]),
                name=str(data["name"]),
                dampers=tuple(_damper_from_dict(d) for d in data["dampers"]),
                profiles=tuple(_profile_from_dict(p) for p in data["profiles"]),
            )
        except (KeyError, TypeError, ValueError) as err:
            raise InputError(f"vehicle data lacks or garbles {err}") from err


_DAMPER_ENDS = ("bump_stop_m", "strap_m")


def _damper_to_dict(damper: Damper) -> dict[str, Any]:
    return {
        "position": damper.position,
        "wheel": damper.wheel,
        "profile": damper.profile,
        "serial": damper.serial,
        "travel_from": damper.travel_from,
        "travel_map_mm": [list(p) for p in damper.travel_map],
        "calibration_raw_mm": [list(p) for p in damper.calibration],
        # Only where there are any: a log without them keeps the bytes it always had.
        **({"body_offset_k": damper.body_offset_k} if damper.body_offset_k else {}),
        **({"settings": [setting.to_dict() for setting in damper.settings]} if damper.settings else {}),
        **{key: value for key in _DAMPER_ENDS if (value := getattr(damper, key)) is not None},
    }


def _damper_from_dict(data: dict[str, Any]) -> Damper:
    return Damper(
        position=str(data["position"]),
        wheel=str(data["wheel"]),
        profile=str(data["profile"]),
        serial=data["serial"],
        travel_from=data["travel_from"],
        travel_map=tuple((float(a), float(b)) for a, b in data["travel_map_mm"]),
        calibration=tuple((float(a), float(b)) for a, b in data["calibration_raw_mm"]),
        body_offset_k=float(data.get("body_offset_k", 0.0)),
        settings=tuple(Setting.from_dict(setting) for setting in data.get("settings", ())),
        **{key: float(data[key]) for key in _DAMPER_ENDS if data.get(key) is not None},
    )


_PROFILE_NUMBERS = (
    "stroke_m",
    "shaft_diameter_m",
    "bore_diameter_m",
    "oil_mass_kg",
    "body_mass_kg",
    "heat_capacity_j_per_k",
    "fade_per_k",
    "reference_c",
    "body_limit_c",
)
_PROFILE_GAS = ("has_base_valve", "charge_pa", "gas_volume_m3")
_PROFILE_BUILD = {"construction": CONSTRUCTIONS, "reservoir": RESERVOIRS, "joints": JOINTS}


def _profile_to_dict(profile: Profile) -> dict[str, Any]:
    return {
        "name": profile.name,
        **{key: getattr(profile, key) for key in _PROFILE_NUMBERS},
        "oil_limit_c": profile.oil_limit_c,
        # Only where they were given: a log without them keeps the bytes it always had.
        **{key: value for key in _PROFILE_GAS if (value := getattr(profile, key)) is not None},
        **{key: value for key, known in _PROFILE_BUILD.items() if (value := getattr(profile, key)) != known[0]},
        **({} if profile.is_rebuildable else {"is_rebuildable": False}),
        **({} if profile.lead_days == LEAD_DAYS else {"lead_days": profile.lead_days}),
        "force": [
            {
                "travel_m": at.travel_m,
                "speeds_mps": list(at.curve.speeds_mps),
                "forces_n": list(at.curve.forces_n),
            }
            for at in profile.force
        ],
    }


def _profile_from_dict(data: dict[str, Any]) -> Profile:
    force = tuple(
        ForceAt(
            travel_m=float(at["travel_m"]),
            curve=ForceCurve(
                speeds_mps=tuple(float(v) for v in at["speeds_mps"]),
                forces_n=tuple(float(f) for f in at["forces_n"]),
            ),
        )
        for at in data["force"]
    )
    oil_limit = data["oil_limit_c"]
    base_valve = data.get("has_base_valve")
    charge_pa, gas_volume_m3 = (None if data.get(key) is None else float(data[key]) for key in _PROFILE_GAS[1:])
    return Profile(
        name=str(data["name"]),
        force=force,
        oil_limit_c=None if oil_limit is None else float(oil_limit),
        has_base_valve=None if base_valve is None else bool(base_valve),
        charge_pa=charge_pa,
        gas_volume_m3=gas_volume_m3,
        construction=_one_of(data, "construction"),
        reservoir=_one_of(data, "reservoir"),
        joints=_one_of(data, "joints"),
        is_rebuildable=bool(data.get("is_rebuildable", True)),
        lead_days=int(data.get("lead_days", LEAD_DAYS)),
        **{key: float(data[key]) for key in _PROFILE_NUMBERS},
    )


def _one_of(data: dict[str, Any], key: str) -> str:
    known = _PROFILE_BUILD[key]
    word = data.get(key, known[0])
    if word not in known:
        raise InputError(f"vehicle data: {key} {word!r:.40} is none of {', '.join(known)}")
    return str(word)
