"""What kind of damper a unit was at each place in its running time: a revalved one wears by its profile of then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.ledger.unit_profiles import ProfileChange, first_profile, order_changes

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Era:
    """From a place in a unit's running time [s] on it was of a profile, until the next era."""

    from_s: float
    profile: Profile


def make_eras(profile: Profile, changes: Sequence[ProfileChange], profiles: Mapping[str, Profile]) -> tuple[Era, ...]:
    """Return a unit's eras, oldest first.

    Args:
        profile: what it is now. changes: of this unit, oldest first. profiles: of the vehicle, by name; one that isn't
            there any more is taken to be as the one that followed it.
    """
    found = [Era(one.running_s, profiles.get(one.name, one.profile)) for one in order_changes(changes)]
    if not found:
        return (Era(-np.inf, profile),)
    first = profiles.get(first_profile(profile.name, changes), found[0].profile)
    return Era(-np.inf, first), *found


def group_profiles(changes: Sequence[ProfileChange]) -> dict[str, frozenset[str]]:
    """Return by name the profiles that are one damper with other valving, itself among them; of all units' changes.

    What a bench found of a part tells of all of them: a part wears by its doses, which have the valving in them.
    Names that no change has are missing.
    """
    groups: dict[str, frozenset[str]] = {}
    for one in changes:
        joined = groups.get(one.was, frozenset({one.was})) | groups.get(one.name, frozenset({one.name}))
        groups.update(dict.fromkeys(joined, joined))
    return groups


def weigh_eras(eras: Sequence[Era], start_s: Floats, end_s: Floats) -> list[Floats]:
    """Return for each era what share (n,) of every row lies in it; the shares of a row add up to 1."""
    after = [part_after(start_s, end_s, one.from_s) for one in eras]
    behind = [*after[1:], np.zeros(len(start_s))]
    return [one - other for one, other in zip(after, behind, strict=True)]


def part_after(start_s: Floats, end_s: Floats, running_s: float) -> Floats:
    """Return what share (n,) of each row lies after a running time."""
    after = np.where(start_s >= running_s, 1.0, 0.0)
    inside = (start_s < running_s) & (end_s > running_s)
    after[inside] = (end_s[inside] - running_s) / (end_s - start_s)[inside]
    return after


def mix(
    eras: Sequence[Era], weights: Sequence[Floats], compute: Callable[[Profile], Mapping[str, Floats]]
) -> dict[str, Floats]:
    """Return what `compute` finds by row, each row by the profiles of its own time."""
    if len(eras) == 1:
        return dict(compute(eras[0].profile))
    found: dict[str, Floats] = {}
    for era, weight in zip(eras, weights, strict=True):
        if not weight.any():
            continue
        for name, values in compute(era.profile).items():
            found[name] = found.get(name, np.zeros(len(weight))) + weight * values
    # Without a row there is nothing to mix, but its names are still asked for.
    return found or dict(compute(eras[-1].profile))
