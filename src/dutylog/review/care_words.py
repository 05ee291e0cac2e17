"""What to do after a trip and with what caution, in words; whether a trip calls for it is judged in care.py."""

from __future__ import annotations

from dutylog.domain.vehicle import Profile
from dutylog.heat.stop import HANDLE_C
from dutylog.review.review import Figure, Words
from dutylog.review.trip_data import DamperData, TripData

RELEASE_C = 40.0
"""Above it no charge is released, as the cautions of life/gas.py say. Judgement."""
BURNS: Words = (
    "Hot bodies burn: wait until all are below ",
    Figure("temperature_c", HANDLE_C),
    ", also after the oil has warmed them once more.",
)
NO_WATER: Words = (
    "Never water on a hot damper: it burns who stands near, warps and cracks. No jet within half a metre of them.",
)
NOT_SHAFT: Words = ("Never on a shaft: what sticks there drags dust into the seal.",)
CHARGED: Words = (
    "Charged with gas, by the maker's manual or a qualified technician: valve pointed away, eye protection, release "
    "only when cold (never above ",
    Figure("temperature_c", RELEASE_C),
    "). Dry nitrogen through a regulator and a relief rated for the fitting, never air or oxygen. A stuck or leaking "
    "piston can hold pressure with the valve open.",
)
ON_STANDS: Words = ("Vehicle on stands on firm level ground; torques are those of the maker's manual.",)

COOL: Words = (
    "Let every damper cool in the air until its body is below ",
    Figure("temperature_c", HANDLE_C),
    " and falling; do nothing else to it before",
)
WASH: Words = (
    "Wash dampers by hand: low-pressure water, mild soap, a soft cloth. Keep jets half a metre and more away from "
    "wipers, hose crimps, rod ends and connectors",
)
DRY: Words = ("Dry the shafts with a clean cloth and leave them dry: water rusts them, anything else holds dust",)
PROTECT: Words = ("Protectant on bodies, springs and hardware, sparingly",)
GAS: Words = ("Read the nitrogen when everything is as cold as the air, and write it down",)
BOLTS: Words = ("Check the torque of damper bolts; look at mounts and tabs for cracks",)
BUMP_STOPS: Words = ("Look at bump stops, cups and their brackets: torn, flattened or loose",)
STRAPS: Words = ("Look at limit straps and their bolts: frayed, stretched, or slack at full droop",)


def leak_words(data: TripData) -> Words:
    """Return where to look for oil: hose crimps only where a damper has a hose."""
    has_hose = any(profile_at(data, one).reservoir == "hose" for one in data.dampers)
    where = "seal heads, fittings and hose crimps" if has_hose else "seal heads and fittings"
    return (
        f"Look for oil at {where}. Where it is wet: wipe it dry, drive on or push through 50 strokes, look again; "
        "wet once more is a leak",
    )


def joint_words(data: TripData) -> Words:
    """Return which joints to feel: those that the dampers have."""
    kinds = {profile_at(data, one).joints for one in data.dampers}
    what = " and ".join(name for kind, name in (("rod_end", "rod ends"), ("bushing", "bushings")) if kind in kinds)
    return (f"Feel {what or 'joints'} by hand with the wheel unloaded: no play, no knock, no notch",)


def profile_at(data: TripData, damper: DamperData) -> Profile:
    """Return the profile of a damper's place in the vehicle of the trip's end, or that of any place where it's gone."""
    place = next((one for one in data.vehicle.dampers if one.position == damper.position), data.vehicle.dampers[0])
    return data.vehicle.profile_of(place)
