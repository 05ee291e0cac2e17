"""What commands and pages say alike of wear, and distances of a sentence in the reader's unit."""

from __future__ import annotations

from collections.abc import Iterable

from dutylog.errors import InputError
from dutylog.life.forecast import Forecast
from dutylog.units import M_PER_KM, M_PER_MILE

INFORMS = "These figures inform; the maker's manual, local rules and a qualified technician decide."
_MILES = " miles "


def refuse_other_parts(label: str, keys: Iterable[str], told: Iterable[str]) -> None:
    """Refuse to hear of a part that a damper doesn't have; keys: of those it has. What isn't there can't be new."""
    there = tuple(keys)
    other = [part for part in told if part not in there]
    if other:
        raise InputError(f"damper {label} has no part {other[0]!r:.40}; it has {', '.join(there)}")


def say_no_profile(label: str, profile: str) -> str:
    """Return why nothing can be told of a damper's parts."""
    return f"damper {label}: its profile {profile} isn't in the vehicle file; add it there"


def cut_miles(text: str) -> str:
    """Return a forecast's text without its clause of miles: figures in the reader's unit stand beside it."""
    return "; ".join(clause for clause in text.split("; ") if _MILES not in clause)


def say_due(due: Forecast, units: str) -> str:
    """Return a forecast's text with its distances in miles ("us") or kilometres ("metric")."""
    if units == "us" or due.miles_50 is None or _MILES not in due.text:
        return due.text if units == "us" else cut_miles(due.text)
    low, middle, high = (
        "more" if miles is None else f"{float(f'{miles * M_PER_MILE / M_PER_KM:.2g}'):,.0f}"
        for miles in (due.miles_10, due.miles_50, due.miles_90)
    )
    far = f"about {middle} km from today ({low} to {high})"
    return "; ".join(far if _MILES in clause else clause for clause in due.text.split("; "))


def say_passes(per_mile: float, units: str) -> str:
    """Return how often a mark passes the seal, a mile or a kilometre."""
    rate = per_mile if units == "us" else per_mile * M_PER_KM / M_PER_MILE
    rounded = float(f"{rate:.2g}")
    digits = f"{rounded:.0f}" if rounded >= 10.0 else f"{rounded:g}"
    return f"it passes the seal {digits} times a {'mile' if units == 'us' else 'km'}"
