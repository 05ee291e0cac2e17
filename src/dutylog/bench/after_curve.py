"""The curve measured after a build, before it becomes a profile: cold again, and far enough in speed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from dutylog.domain.quantity import METRIC, US, quantity_text
from dutylog.domain.vehicle import Profile
from dutylog.duty.force import ForceTable
from dutylog.errors import InputError

LEAST_REACH_RATIO = 0.5
"""Of the old profile's fastest point in each direction: a curve that ends sooner can't stand for it. Judgement."""
LEAST_FADE_RATIO = 0.5
"""A damper that has lost more of its force to heat is measured again, cooler. Source: judgement."""


def refuse_curve(measured: Mapping[str, Any], profile: Profile) -> list[str]:
    """Return why a measured curve can't renew a profile, one line each.

    Args:
        measured: speeds_mps, forces_n, body_c (None: not told). profile: of the damper as it came.
    """
    found = []
    stated = profile.force[0].curve.speeds_mps
    for name, sign in (("compression", 1.0), ("rebound", -1.0)):
        reach_mps, needed_mps = (
            max(0.0, *(sign * one for one in speeds)) for speeds in (measured["speeds_mps"], stated)
        )
        if reach_mps < LEAST_REACH_RATIO * needed_mps:
            found.append(
                f"the curve after the build reaches {_speed(reach_mps)} in {name}, profile {profile.name} "
                f"{_speed(needed_mps)}; measure to {_speed(LEAST_REACH_RATIO * needed_mps)} at least"
            )
    if measured["body_c"] is None and profile.fade_per_k != 0.0:
        found.append(
            f"the body's temperature while the curve after the build was measured isn't told, and profile "
            f"{profile.name} fades with it; put the curve in again with that temperature"
        )
    elif _fade_ratio(measured["body_c"], profile) < LEAST_FADE_RATIO:
        found.append(
            "the curve after the build was measured too hot to be brought back cold; let it cool and repeat it"
        )
    return found


def cool_curve(measured: Mapping[str, Any], profile: Profile) -> dict[str, list[float]]:
    """Return a measured curve as it would be at the profile's reference temperature: its forces over their fade.

    Raises:
        InputError: what `refuse_curve` refuses.
    """
    if problems := refuse_curve(measured, profile):
        raise InputError(problems[0])
    ratio = _fade_ratio(measured["body_c"], profile)
    return {"speeds_mps": list(measured["speeds_mps"]), "forces_n": [one / ratio for one in measured["forces_n"]]}


def _fade_ratio(body_c: float | None, profile: Profile) -> float:
    told = np.array([np.nan if body_c is None else body_c])
    return float(ForceTable(profile).compute_fade_ratio(told)[0])


def _speed(speed_mps: float) -> str:
    metric, us = (quantity_text("shaft_mps", speed_mps, system) for system in (METRIC, US))
    return f"{metric} ({us})"
