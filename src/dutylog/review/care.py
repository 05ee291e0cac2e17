"""What to do after a trip: each item with its reason, asked for where the trip calls for it.

Words only: what was done is told with the command `care` (ledger/trip_notes.py). Rules: shared/REVIEW.md.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dutylog.domain.quantity import position_text
from dutylog.domain.vehicle import Profile
from dutylog.heat.stop import HANDLE_C
from dutylog.ledger.trip_notes import CareDone
from dutylog.review.review import CareItem, Figure, Words
from dutylog.review.trip_data import (
    BOTTOMED,
    BUMP_STOP,
    GRADED,
    JUMPS,
    ROUGH,
    STRAP,
    TOPPED_OUT,
    WASHBOARD,
    DamperData,
    TripData,
)

DIRTY_ROADS = (GRADED, WASHBOARD, ROUGH, JUMPS)
DIRTY_S = 60.0
"""Of such roads in a trip from which shafts may be dirty where nobody said what they had on. Judgement."""
GAS_DAYS = 180.0
"""A charge read longer ago is read again; it is looked at once a year at least (shared/LIFE.md). Judgement."""
NEAR_LIMIT_K = 10.0
"""A body that came so near to its limit has its charge read and its seals looked at. Judgement."""
HARD_MPS = 1.0
"""A bump stop met faster than this is looked at. Judgement."""
BURNS = "Hot bodies burn: wait until all are below the figure, also after the oil has warmed them once more."
NO_WATER = (
    "Never water on a hot damper: it burns who stands near, warps and cracks. No jet within half a metre of them."
)
NOT_SHAFT = "Never on a shaft: what sticks there drags dust into the seal."
CHARGED = (
    "Charged with gas, by the maker's manual or a qualified technician: valve pointed away, eye protection, release "
    "only when cold (never above 40 °C). Dry nitrogen through a regulator and a relief rated for the fitting, never "
    "air or oxygen. A stuck or leaking piston can hold pressure with the valve open."
)
ON_STANDS = "Vehicle on stands on firm level ground; torques are those of the maker's manual."
_Verdict = tuple[bool, Words]


@dataclass(frozen=True, slots=True)
class _Trip:
    """What of a trip decides on its care: positions by what happened to them. hardest_mps: contact that bottomed."""

    last_c: float | None
    near_limit: tuple[str, ...]
    bottomed: Mapping[str, int]
    hard_bump: tuple[str, ...]
    extended: Mapping[str, int]
    hardest_mps: float | None
    dirty_s: float
    jumps_s: float


def make_care(
    *,
    data: TripData,
    dirt: str | None,
    is_washed: bool | None,
    gas_days: Mapping[str, float | None],
    done: Sequence[CareDone],
) -> tuple[CareItem, ...]:
    """Return every item of care in the order in which it is done, those that the trip doesn't call for included.

    Args:
        dirt: what the trip had on its shafts by its owner's word, one of domain/wear.DIRTS, None: nobody said.
        is_washed: whether they were washed, None: nobody said.
        gas_days: by position, days since its nitrogen was last read, None: never. Dampers without gas aren't in it.
        done: what people did, the last word on each item.
    """
    trip = _look(data)
    wash = _judge_wash(trip, dirt, is_washed)
    is_wet = wash[0] or bool(dirt and is_washed)
    items = (
        _item("cool", COOL, _judge_cool(trip), BURNS),
        _item("wash", WASH, wash, NO_WATER),
        _item("dry", DRY, _after_washing(is_wet), None),
        _item("protect", PROTECT, _after_washing(is_wet), NOT_SHAFT),
        _item("leaks", _leak_words(data), _judge_leaks(trip), BURNS),
        _item("gas", GAS, _judge_gas(trip, gas_days), CHARGED),
        _item("bolts", BOLTS, _judge_bolts(trip), ON_STANDS),
        _item("bump_stops", BUMP_STOPS, _judge_bump_stops(trip), ON_STANDS),
        _item("straps", STRAPS, _judge_straps(trip), ON_STANDS),
        _item("joints", _joint_words(data), _judge_joints(trip), ON_STANDS),
    )
    return lay_done(items, done)


def lay_done(items: Sequence[CareItem], done: Sequence[CareDone]) -> tuple[CareItem, ...]:
    """Return the items with who did them as told now; words on items that aren't there are left out."""
    by_item = {one.item: one for one in done}
    return tuple(_with_word(one, by_item.get(one.key)) for one in items)


def _with_word(item: CareItem, word: CareDone | None) -> CareItem:
    if word is None:
        return replace(item, done_by=None, done_utc_s=None, row=None, note=None)
    return replace(item, done_by=word.by, done_utc_s=word.utc_s, row=word.row, note=word.note)


def _item(key: str, text: Words, verdict: _Verdict, caution: str | None) -> CareItem:
    return CareItem(key, text, verdict[1], verdict[0], caution, None, None, None, None)


# what to do

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


def _leak_words(data: TripData) -> Words:
    has_hose = any(_profile(data, one).reservoir == "hose" for one in data.dampers)
    where = "seal heads, fittings" + (" and hose crimps" if has_hose else "")
    return (
        f"Look for oil at {where}. Where it is wet: wipe it dry, drive on or push through 50 strokes, look again; "
        "wet once more is a leak",
    )


def _joint_words(data: TripData) -> Words:
    kinds = {_profile(data, one).joints for one in data.dampers}
    what = " and ".join(name for kind, name in (("rod_end", "rod ends"), ("bushing", "bushings")) if kind in kinds)
    return (f"Feel {what or 'joints'} by hand with the wheel unloaded: no play, no knock, no notch",)


# whether the trip calls for it


def _look(data: TripData) -> _Trip:
    # A damper that was swapped on the way leaves two of a position.
    bodies = [(one, _known(one)) for one in data.dampers]
    near = [
        one.position
        for one, body_c in bodies
        if body_c and max(body_c) >= _profile(data, one).body_limit_c - NEAR_LIMIT_K
    ]
    bottomed: Counter[str] = Counter()
    for one in data.dampers:
        bottomed[one.position] += one.totals.bottom_outs_count
    hard = [one.position for one in data.contacts if one.kind == BUMP_STOP and one.speed_mps >= HARD_MPS]
    seconds = {kind: sum(one.end_s - one.start_s for one in data.segments if one.kind == kind) for kind in DIRTY_ROADS}
    return _Trip(
        last_c=max((body_c[-1] for _, body_c in bodies if body_c), default=None),
        near_limit=tuple(dict.fromkeys(near)),
        bottomed=+bottomed,
        hard_bump=tuple(dict.fromkeys(hard)),
        extended=Counter(one.position for one in data.contacts if one.kind in (STRAP, TOPPED_OUT)),
        hardest_mps=max((one.speed_mps for one in data.contacts if one.kind == BOTTOMED), default=None),
        dirty_s=sum(seconds.values()),
        jumps_s=seconds[JUMPS],
    )


def _judge_cool(trip: _Trip) -> _Verdict:
    if trip.last_c is None:
        return True, ("no body temperature was measured: hold a hand near before you touch one",)
    hottest = ("the hottest body had ", Figure("temperature_c", trip.last_c), " at the end of the trip")
    if trip.last_c < HANDLE_C:
        return False, (*hottest, "; feel before you touch all the same")
    return True, (*hottest, "; while the live page is on it shows how long they take")


def _judge_wash(trip: _Trip, dirt: str | None, is_washed: bool | None) -> _Verdict:
    if dirt is not None:
        if is_washed:
            return False, (f"{dirt} was told, and that they were washed",)
        return True, (f"{dirt} was told, and not that they were washed",)
    if trip.dirty_s >= DIRTY_S:
        driven = Figure("duration_s", trip.dirty_s)
        return True, (driven, " off paved roads; nobody said yet what the shafts had on: look, and say so")
    return False, ("hardly any of the trip was off paved roads, and nobody told of dirt",)


def _after_washing(is_wet: bool) -> _Verdict:
    return (True, ("after washing",)) if is_wet else (False, ("nothing to wash off",))


def _judge_leaks(trip: _Trip) -> _Verdict:
    if trip.near_limit:
        return True, (_named(trip.near_limit), " came near the limit of the body: heat is hard on seals")
    if trip.bottomed:
        return True, (_named(trip.bottomed), " bottomed: hits press oil past worn seals")
    return True, ("after every trip: a leak that is found early costs a seal, later the damper",)


def _judge_gas(trip: _Trip, gas_days: Mapping[str, float | None]) -> _Verdict:
    if not gas_days:
        return False, ("no damper here is known to have a charge",)
    never = [place for place, days in gas_days.items() if days is None]
    if never:
        return True, ("nobody has told a reading of ", _named(never))
    oldest, days = max(((place, days or 0.0) for place, days in gas_days.items()), key=lambda one: one[1])
    read = (
        "the oldest reading, of ",
        position_text(oldest),
        ", is ",
        Figure("count", int(max(days, 0.0))),
        " days old",
    )
    if days >= GAS_DAYS:
        return True, read
    hot = [place for place in trip.near_limit if place in gas_days]
    if hot:
        return True, (_named(hot), " came near the limit of the body: heat drives gas out")
    return False, read


def _judge_bolts(trip: _Trip) -> _Verdict:
    if trip.bottomed:
        return True, _bottomed_words(trip)
    return False, ("nothing bottomed",)


def _judge_bump_stops(trip: _Trip) -> _Verdict:
    if trip.bottomed:
        return True, _bottomed_words(trip)
    if trip.hard_bump:
        return True, (_named(trip.hard_bump), " met the bump stop at ", Figure("shaft_mps", HARD_MPS), " or faster")
    return False, ("nothing bottomed, and no bump stop was met at ", Figure("shaft_mps", HARD_MPS), " or faster")


def _judge_straps(trip: _Trip) -> _Verdict:
    if not trip.extended:
        return False, ("nothing was pulled to full extension as far as it was measured",)
    count = Figure("count", sum(trip.extended.values()))
    return True, (_named(trip.extended), " pulled at strap or full extension, ", count, " times in all")


def _judge_joints(trip: _Trip) -> _Verdict:
    if trip.bottomed:
        return True, _bottomed_words(trip)
    if trip.jumps_s > 0.0:
        return True, ("the trip had jumps: landings load them most",)
    return False, ("no hits and no jumps; at the next service",)


def _bottomed_words(trip: _Trip) -> Words:
    count = Figure("count", sum(trip.bottomed.values()))
    words: Words = (_named(trip.bottomed), " bottomed, ", count, " times in all")
    return words if trip.hardest_mps is None else (*words, ", at up to ", Figure("shaft_mps", trip.hardest_mps))


def _named(places: Iterable[str]) -> str:
    """Return positions as words, 'front left, rear left'."""
    return ", ".join(position_text(place) for place in places)


def _known(damper: DamperData) -> list[float]:
    """Return the body temperatures that are known, in order of time [degC]."""
    body_c = np.asarray(damper.body_c, dtype=np.float64)
    found: list[float] = body_c[np.isfinite(body_c)].tolist()
    return found


def _profile(data: TripData, damper: DamperData) -> Profile:
    """Return the profile of a damper's place in the vehicle of the trip's end, or that of any place where it's gone."""
    place = next((one for one in data.vehicle.dampers if one.position == damper.position), data.vehicle.dampers[0])
    return data.vehicle.profile_of(place)
