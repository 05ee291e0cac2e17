"""What keeps a build sheet from being signed, and what is said beside it: one line each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from dutylog.bench.after_curve import refuse_curve
from dutylog.bench.build_fields import (
    AFTER_CURVE,
    DRY,
    GAS,
    LEAK_AFTER,
    LEAK_BEFORE,
    OIL_KIND,
    OIL_VOLUME,
    PROFILE_NAME,
    REPLACED,
    REVALVED,
)
from dutylog.bench.job_state import JobState, Told
from dutylog.bench.leak_check import LeakVerdict, check_charge
from dutylog.bench.part_needs import TWIN_TUBE, has_part
from dutylog.domain.vehicle import Profile

LEAST_NIGHT_H = 6.0
"""Between both readings of the leak check without a word why. Source: judgement; a night is asked for."""


def refuse_build(
    shown: Mapping[str, Any],
    state: JobState,
    leak: LeakVerdict | None,
    profile: Profile | None,
    reservoir: str,
    construction: str,
) -> tuple[str, ...]:
    """Return what makes a sheet unfit to be signed.

    Args:
        shown: values of the fields that apply. state: the folded job. leak: None while a reading lacks.
        profile: of the damper, None where nobody gave one. reservoir, construction: of the damper.
    """
    found = check_charge(shown.get(GAS), shown.get(LEAK_BEFORE), shown.get(LEAK_AFTER), profile)
    if leak is not None:
        if not leak.is_held:
            found.append(f"the leak check {'failed' if leak.lost_pa > leak.doubt_pa else 'tells nothing'}: {leak.text}")
        found += _refuse_short_night(state.build.get(LEAK_BEFORE), state.build.get(LEAK_AFTER))
    if shown.get(DRY) is False:
        found.append("it was wet outside after the night")
    return (*found, *_refuse_parts(shown, reservoir, construction), *_refuse_valving(shown, state, profile))


def find_notices(state: JobState, is_revalved: bool) -> tuple[str, ...]:
    """Return what is said beside a sheet: a new profile that an earlier record of this visit gave and that stays."""
    given = given_profiles(state)
    if is_revalved or not given:
        return ()
    return (
        f"an earlier record of this visit gave the profile {given[-1]}: vehicle and bench keep it after a record that "
        "isn't revalved; where that was wrong, make this one revalved with the right curve under another name",
    )


def given_profiles(state: JobState) -> tuple[str, ...]:
    """Return the names of the profiles that records of this job made, the newest last."""
    made = ((one.data.get("record") or {}).get("profile") for one in state.records)
    return tuple(str(one["name"]) for one in made if one)


def _refuse_short_night(before: Told | None, after: Told | None) -> list[str]:
    """Return a line where the readings were put down too close to each other and nobody said why."""
    if before is None or after is None or after.data.get("note"):
        return []
    hours = (_moment(after.utc) - _moment(before.utc)).total_seconds() / 3600.0
    if hours >= LEAST_NIGHT_H:
        return []
    return [
        f"both readings of the leak check were put down {hours:.1f} h apart, expected {LEAST_NIGHT_H:.0f} h at least; "
        "where it did stand over night, say so in the note of the second one"
    ]


def _refuse_parts(shown: Mapping[str, Any], reservoir: str, construction: str) -> list[str]:
    """Return lines where the parts made new don't fit the damper, or what was filled in."""
    replaced: Sequence[str] = shown.get(REPLACED) or ()
    found = []
    if absent := [part for part in replaced if not has_part(part, construction, reservoir)]:
        found.append(f"this damper has no {', '.join(absent)}; correct the parts made new")
    is_oiled = any(shown.get(field) is not None for field in (OIL_KIND, OIL_VOLUME))
    is_filled = construction != TWIN_TUBE and shown.get(GAS) is not None
    for part, is_put_down in (("oil", is_oiled), ("charge", is_filled)):
        if is_put_down and shown.get(REPLACED) is not None and part not in replaced:
            found.append(
                f"{part} was put in, but isn't among the parts made new: its wear would count on; correct those parts"
            )
    return found


def _refuse_valving(shown: Mapping[str, Any], state: JobState, profile: Profile | None) -> list[str]:
    """Return lines where a new force curve can't become a profile."""
    if profile is None or shown.get(REVALVED) is not True:
        return []
    if len(profile.force) > 1:
        return [
            f"profile {profile.name} has curves by travel, one bench curve can't renew them: write the new profile "
            "into the vehicle file, and leave 'revalved' off here"
        ]
    measured, name = shown.get(AFTER_CURVE), shown.get(PROFILE_NAME)
    found = [] if measured is None else refuse_curve(measured, profile)
    # A correction may keep the name that its own visit gave, which the damper has by now.
    if name == profile.name and name not in given_profiles(state):
        found.append(f"the new profile needs another name than {name}")
    return found


def _moment(utc: str) -> datetime:
    return datetime.fromisoformat(utc)
