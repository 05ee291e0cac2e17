"""What a shop may write to an owner of a damper that will be due: plain words, ranges, both systems of units.

It informs and never threatens: no word of danger, no deadline of ours, and what it rests on is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from dutylog.bench.board import DueDamper, DuePart
from dutylog.bench.facts import CARD, STATED, SUMMARY
from dutylog.bench.figures import Figure, say_both
from dutylog.bench.radio_use import RADIO_BASIS
from dutylog.bench.worked_out import TOLD_RATIO, percent_text, worked_out_ratio
from dutylog.domain.quantity import position_text
from dutylog.errors import one_line
from dutylog.units import M_PER_MILE

BASIS_WORDS: Mapping[str, str] = {
    CARD: "what your vehicle measured{worked_out}, as its duty card of {day} has it",
    SUMMARY: "the short summary your vehicle gave on {day}",
    STATED: "what we were told, as of {day}; nothing of it was measured, so it may be well off",
    RADIO_BASIS: "what your vehicle measured{worked_out}, and what it sent by radio until {day}, which is not signed",
}
_MOST_NAME = 80


@dataclass(frozen=True, slots=True)
class PartMiles:
    """Distance until a part is due, from the day of its card [m]: in 1, 5 and 9 of 10 cases, None unknown."""

    early_m: float | None
    likely_m: float | None
    late_m: float | None


@dataclass(frozen=True, slots=True)
class Source:
    """What a forecast rests on. day: of the card or code. worked_out_ratio: of a part's use, the most that wasn't
    measured; None unknown.
    """

    day: date
    worked_out_ratio: float | None = None


def read_source(card: Mapping[str, Any]) -> Source:
    """Return what a forecast out of a checked card rests on."""
    return Source(date.fromisoformat(str(card["issued"]["utc"])[:10]), worked_out_ratio(card))


def read_miles(card: Mapping[str, Any]) -> dict[str, PartMiles]:
    """Return distances until each part is due, by part, out of a checked card."""
    found = {}
    for part in card.get("parts", ()):
        far = [part.get(f"miles_{end}") for end in ("early", "likely", "late")]
        found[str(part["part"])] = PartMiles(*(None if one is None else float(one) * M_PER_MILE for one in far))
    return found


def owner_text(
    dampers: Sequence[DueDamper],
    bench_name: str,
    today: date,
    miles: Mapping[str, Mapping[str, PartMiles]] | None = None,
    sources: Mapping[str, Source] | None = None,
) -> str:
    """Return the text for the owner of one vehicle.

    Args:
        dampers: of that vehicle, at least one. miles: by damper_id and part, where a card tells; left out for forecasts
        that were moved since or were told. sources: by damper_id, where a card or code is here; without one the day of
        the forecast is named.
    """
    row = dampers[0].row
    greeting = f"Hello {one_line(row.customer_name, _MOST_NAME)}," if row.customer_name else "Hello,"
    of = f" of {one_line(row.vehicle_label, _MOST_NAME)}" if row.vehicle_label else ""
    lines = [greeting, "", f"a look ahead at the dampers{of}, as of {today}:", ""]
    for damper in dampers:
        lines.append(_head(damper))
        far = (miles or {}).get(damper.row.damper_id, {}) if damper.row.basis == CARD else {}
        lines += [f"  - {_line(part, far.get(part.key), today)}" for part in damper.parts]
        lines += [f"  This rests on {_basis(damper, (sources or {}).get(damper.row.damper_id))}.", ""]
    lines += [
        "These are forecasts, not findings: it may well come later or sooner, and how you drive decides.",
        "If you would like us to look, tell us when it suits you; if your plans differ, tell us too.",
        "The maker's manual comes before anything said here.",
        "",
        one_line(bench_name, _MOST_NAME),
    ]
    return "\n".join(lines)


def _basis(damper: DueDamper, source: Source | None) -> str:
    """Return what a forecast rests on; one by radio is as old as itself, all others as their card or code."""
    row, day = damper.row, damper.made
    if source is not None and row.basis in (CARD, SUMMARY):
        day = source.day
    share = None if source is None else source.worked_out_ratio
    worked_out = ""
    if share is not None and share >= TOLD_RATIO:
        worked_out = f" (and worked out for up to {percent_text(share)} of a part's use)".replace("\u00a0", " ")
    return BASIS_WORDS.get(row.basis, "what we know of it as of {day}").format(day=day, worked_out=worked_out)


def _head(damper: DueDamper) -> str:
    row = damper.row
    place = f", {position_text(one_line(row.position, 40))}" if row.position else ""
    return f"Damper {one_line(row.label, _MOST_NAME)}{place}:"


def _line(part: DuePart, far: PartMiles | None, today: date) -> str:
    used = ""
    if part.used_ratio is not None:
        used = f" (about {Figure('change_ratio', part.used_ratio).text()} of its expected life used)"
    return f"{part.name}{used}: {_when(part, today)}{_distance(far)}.".replace("\u00a0", " ")


def _when(part: DuePart, today: date) -> str:
    """Return when a part is due, as a range."""
    if part.used_ratio is not None and part.used_ratio >= 1.0:
        return "worth a look at the next occasion"
    early, likely, late = part.early, part.likely, part.late
    if part.used_ratio is None:
        return f"its years are over on {likely}" if likely else "no day is known"
    begin = "as early as now" if early is not None and early <= today else f"as early as {early}" if early else ""
    if likely is None:
        return f"{begin}, more likely years from now" if begin else "not foreseen"
    middle = "most likely about now" if likely <= today else f"most likely around {likely}"
    end = f"perhaps not before {late}" if late else "perhaps not for years"
    return ", ".join(one for one in (middle, begin, end) if one)


def _distance(far: PartMiles | None) -> str:
    """Return the range of distances with both units, '' where none is known."""
    if far is None or far.early_m is None or far.late_m is None:
        return ""
    return say_both(
        (
            "; that is between ",
            Figure("far_m", far.early_m),
            " and ",
            Figure("far_m", far.late_m),
            " of driving from then",
        )
    )
