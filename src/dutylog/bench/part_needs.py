"""What a shop needs to make wear parts of a damper new, by its construction: generic pieces, no shop's own numbers.

One table for work orders and for the demand of parts. Sources: common practice, no published source, unless a row says
otherwise; the maker's manual and parts list come first, and a catalogue may give a piece another number and price.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from dutylog.domain.gas import OIL_KG_PER_M3
from dutylog.domain.vehicle import Profile
from dutylog.domain.wear import PARTS
from dutylog.errors import InputError

PIECE, SET, LITRE, FILL = "piece", "set", "l", "fill"
UNITS = (PIECE, SET, LITRE, FILL)
"""What a need is counted in."""
TWIN_TUBE = "twin_tube"
OPENING = ("shaft_seal", "oil", "wear_band", "piston_seal", "bladder", "hose", "structure")
"""Wear parts that can't be reached without opening the damper: its oil, its O-rings and its gas are new then."""
OIL_SPARE_RATIO = 1.2
"""Oil bought for what a damper holds: filling and bleeding spill some. Source: judgement."""
UNKNOWN_OIL_L = 0.5
"""Oil of a damper whose profile nobody gave. Source: judgement; count again when it is open."""


@dataclass(frozen=True, slots=True)
class Need:
    """A piece that making a wear part new takes.

    parts: wear parts (domain.wear) any of which calls for it, none where only a finding does. unit: one of UNITS.
    count: of that unit; of oil it follows from the profile. constructions, reservoirs, joints: where it applies, empty:
    everywhere.
    """

    key: str
    name: str
    parts: tuple[str, ...]
    count: float
    unit: str
    constructions: tuple[str, ...] = ()
    reservoirs: tuple[str, ...] = ()
    joints: tuple[str, ...] = ()
    source: str = "common practice, no published source"


@dataclass(frozen=True, slots=True)
class Needed:
    """A need with how much of it. parts: those of the wear parts asked for that call for it."""

    need: Need
    count: float
    parts: tuple[str, ...]


NEEDS: tuple[Need, ...] = (
    Need("shaft_seal", "shaft seal and wiper", ("shaft_seal",), 1, SET),
    Need("seal_head_o_rings", "O-rings of the seal head", OPENING, 1, SET),
    Need("oil", "damper oil", OPENING, 1, LITRE),
    Need("piston_band", "wear band of the piston", ("wear_band",), 1, PIECE),
    Need("guide_bush", "guide bush of the seal head", ("wear_band",), 1, PIECE),
    Need("rod_end", "rod-end bearing", ("joints",), 2, PIECE, joints=("rod_end",)),
    Need("eye_bushing", "bushing with sleeve", ("joints",), 2, SET, joints=("bushing",)),
    Need(
        "floating_piston_seal",
        "seal and band of the floating piston",
        ("piston_seal",),
        1,
        SET,
        constructions=("floating_piston",),
    ),
    Need("bladder", "bladder", ("bladder",), 1, PIECE, constructions=("bladder",)),
    Need("gas_valve_core", "core and seal of the gas valve", ("charge",), 1, SET),
    Need("nitrogen", "dry nitrogen", ("charge", *OPENING), 1, FILL),
    Need("hose", "reservoir hose with its fittings", ("hose",), 1, PIECE, reservoirs=("hose",)),
    Need("hose_seals", "seals of the hose fittings", ("hose",), 1, SET, reservoirs=("hose",)),
    Need("shaft", "shaft", ("structure",), 1, PIECE),
    # No wear part calls for these: a bad point of the inspection does (items_work).
    Need("end_cap", "eyelet or end cap", (), 1, PIECE),
    Need("body", "damper body or cap", (), 1, PIECE),
    Need("fitting_seals", "seals of fittings, plugs and adjusters", (), 1, SET),
    Need("reservoir_seals", "seals of the reservoir's caps", (), 1, SET, reservoirs=("attached", "hose")),
    Need("reservoir_clamps", "clamps of the reservoir", (), 1, SET, reservoirs=("attached", "hose")),
    Need("shims", "shims and valving parts", (), 1, SET),
    Need("mount", "mount on the vehicle", (), 1, PIECE),
    Need("fasteners", "bolts and nuts of the damper", (), 1, SET),
    Need("limit_strap", "limit strap", (), 1, PIECE),
    Need("bump_stop", "bump stop", (), 1, PIECE),
    Need("damper", "whole damper", (), 1, PIECE, source="where the profile says that it can't be rebuilt"),
)
_CHARGED_ONLY = ("gas_valve_core", "nitrogen")
_BY_KEY: Mapping[str, Need] = {one.key: one for one in NEEDS}


def need_of(key: str) -> Need:
    """Return a need by its key; InputError when there is none."""
    if key not in _BY_KEY:
        raise InputError(f"no need {key!r:.40}; there are {', '.join(_BY_KEY)}")
    return _BY_KEY[key]


def needs_for(
    parts: Iterable[str],
    construction: str,
    reservoir: str,
    joints: str,
    profile: Profile | None = None,
    more: Iterable[str] = (),
) -> tuple[Needed, ...]:
    """Return what making some wear parts of a damper new takes, in the order of NEEDS.

    Args:
        parts: of domain.wear. construction, reservoir, joints: of domain.vehicle.
        profile: for the oil's volume, None where nobody gave one. more: keys of needs asked for by themselves.
    Raises:
        InputError: no such wear part.
    """
    asked = tuple(dict.fromkeys(parts))
    if strange := [one for one in asked if one not in PARTS]:
        raise InputError(f"no wear part {strange[0]!r:.40}; there are {', '.join(PARTS)}")
    found, by_key = [], frozenset(more)
    for need in NEEDS:
        called = tuple(part for part in asked if part in need.parts)
        if (called or need.key in by_key) and _applies(need, construction, reservoir, joints):
            count = oil_litres(profile) if need.key == "oil" else need.count
            found.append(Needed(need, count, called))
    return tuple(found)


def is_opened(parts: Iterable[str]) -> bool:
    """Return whether making these wear parts new opens the damper."""
    return any(part in OPENING for part in parts)


def has_part(part: str, construction: str, reservoir: str) -> bool:
    """Return whether a damper of that construction and reservoir has a wear part."""
    where = {
        "piston_seal": construction == "floating_piston",
        "bladder": construction == "bladder",
        "charge": construction != TWIN_TUBE,
        "hose": reservoir == "hose",
    }
    return part in PARTS and where.get(part, True)


def oil_litres(profile: Profile | None) -> float:
    """Return oil to buy for one filling [l], to the next tenth above."""
    litres = UNKNOWN_OIL_L if profile is None else OIL_SPARE_RATIO * profile.oil_mass_kg / OIL_KG_PER_M3 * 1e3
    return -(-round(litres * 1e6) // 100_000) / 10


def _applies(need: Need, construction: str, reservoir: str, joints: str) -> bool:
    if need.key in _CHARGED_ONLY and construction == TWIN_TUBE:
        return False
    places = ((need.constructions, construction), (need.reservoirs, reservoir), (need.joints, joints))
    return all(not known or value in known for known, value in places)
