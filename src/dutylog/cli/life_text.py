"""Wear parts as lines for people and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from typing import Any

from dutylog.cli.duty_text import table_text
from dutylog.life.marked import Marked
from dutylog.life.parts import MECHANISMS, RULES
from dutylog.life.plan import Made
from dutylog.life.reference import reference_doses
from dutylog.life.unit_life import PartLife, TripCost, UnitLife
from dutylog.life.urgency import MARK_RANKS, order_damper
from dutylog.life.words import INFORMS, cut_miles, say_due, say_passes
from dutylog.units import M_PER_KM, M_PER_MILE

ON_THE_SHELF = "on the shelf"


def due_lines(lives: Sequence[UnitLife], units: str) -> list[str]:
    """Return what is due first on each damper, the most urgent damper first, and marks that don't wait."""
    heads = ("damper", "position", "due first", *_figure_heads(units))
    ordered = sorted(lives, key=_order)
    rows = []
    for one in ordered:
        name, *figures = _part_row(one.most_used, units)
        state, order_by = one.most_used.judge(one.today).state, _day(one.most_used.order_by)
        rows.append((one.unit.label, one.position or ON_THE_SHELF, name, state, *figures, order_by))
    return [
        *table_text(heads, rows, left=4).splitlines(),
        *_pressing_marks(ordered),
        "early, likely, late: in 1, 5, 9 of 10 cases it is due by then. All parts of one: dutylog life show DAMPER",
        INFORMS,
    ]


def unit_lines(life: UnitLife, units: str) -> list[str]:
    """Return every part of one damper, its marks, and what stands behind."""
    lines = [
        f"damper {life.unit.label}, {life.position or ON_THE_SHELF}, profile {life.profile.name}, {life.today}",
        "",
    ]
    heads = ("part", *_figure_heads(units), "calendar", "counts since")
    rows = []
    for one in life.parts:
        name, *figures = _part_row(one, units)
        since = f"{one.since.day} ({one.since.text})"
        state = one.judge(life.today).state
        rows.append((name, state, *figures, _day(one.order_by), _day(one.calendar), since))
    lines += table_text(heads, rows, left=2).splitlines()
    lines.append("")
    lines += [f"{one.part.name}: {say_due(one.forecast, units)}" for one in life.parts]
    lines += ["", *worth_lines(life, units)]
    lines += [line for one in life.marked for line in ("", *mark_lines(one, units))]
    return [*lines, "", INFORMS]


def worth_lines(life: UnitLife, units: str) -> list[str]:
    """Return what a damper's use is worth in miles of street, and what part of it was measured."""
    most = max((one for one in life.parts if one.street_miles is not None), key=lambda one: one.used.share)
    far, worth = _far(most.miles, units), _far(most.street_miles, units)
    lines = [f"its {most.part.name} has taken as much as {worth} of street{_driven(far, most.miles)}"]
    measured = most.used.measured_ratio
    if measured is not None and measured < 0.995:
        lines.append(f"{100 * measured:.0f} % of that was measured, the rest is estimated from what is known")
    if life.hot_seal_s > 0.0:
        lines.append(f"oil hotter than seals should be for {life.hot_seal_s / 60:.0f} min since the seal was new")
    if life.hot_oil_s > 0.0:
        lines.append(
            f"oil hotter than oil should be for {life.hot_oil_s / 60:.0f} min since it was new: change it early"
        )
    return lines


def mark_lines(marked: Marked, units: str) -> list[str]:
    """Return a mark on the shaft with what to do about it."""
    told, judged = marked.told, marked.judged
    rate = [] if judged.passes_per_mile is None else [say_passes(judged.passes_per_mile, units)]
    return [
        f"mark on the shaft, entry {told.said.row} of {_said_day(told.said.day)}: {judged.urgency}",
        judged.text,
        *rate,
        judged.advice,
    ]


def explain_lines(life: UnitLife, one: PartLife) -> list[str]:
    """Return the whole computation of one part with its numbers."""
    used, budget = one.used, one.belief.budget
    lines = [f"{one.part.name} of damper {life.unit.label} on {life.today}", ""]
    lines.append(f"counts since {one.since.day}: {one.since.text}{_entry(one)}; reset by {one.part.reset_by}")
    lines.append(f"chosen so: {one.part.sources}")
    for name, weight in one.part.weights:
        lines += ["", *_mechanism_lines(name, weight, used.by_mechanism[name])]
    if one.part.weights:
        lines += [
            "",
            f"used share, of what {RULES.value('budget_miles'):.0f} hard miles take of a fitting damper:",
            f"  measured                          {used.measured:.4f}",
            f"  moving time not measured          {used.missed:.4f}  (as if it had gone on like the rest of its day)",
            f"  distances told                    {used.stated:.4f}",
            *([f"  marks on the shaft                {used.marks:.4f}"] if used.marks else []),
            f"  together                          {used.share:.4f} +- {used.sd:.4f} (one standard deviation)",
            f"budget believed now                 {budget.median:.3f}, 8 of 10 cases {one.belief.low:.2f} to "
            f"{one.belief.high:.2f}",
            f"  {one.belief.text}",
            f"used of that budget                 {100.0 * one.ratio:.1f} %",
        ]
        if one.street_miles is not None:
            far, km = _far(one.street_miles, "us"), _far(one.street_miles, "metric")
            lines.append(f"worth                               {far} of street ({km})")
    years = one.part.calendar_years
    limit = f"{years.value:g} years, on {_day(one.calendar)}" if years.value else "none"
    lines += ["", f"calendar limit: {limit}. Source: {years.source}"]
    lines += [f"due: {cut_miles(one.forecast.text)}", "", INFORMS]
    return lines


def plan_lines(found: Sequence[tuple[UnitLife, Sequence[tuple[PartLife, Made]]]]) -> list[str]:
    """Return for each damper whether it makes it, the weakest part in words."""
    rows, lines = [], []
    for life, made in found:
        for part, one in made:
            takes, left = f"{one.takes_10:.2f} to {one.takes_90:.2f}", f"{one.left_10:.2f} to {one.left_90:.2f}"
            rows.append((life.unit.label, part.part.name, f"{100 * one.ratio:.0f} %", takes, left))
        weakest = min(made, key=lambda each: each[1].ratio)
        lines.append(f"{life.unit.label}, {weakest[0].part.name}: {weakest[1].text}")
    heads = ("damper", "part", "makes it", "takes of the budget", "left after it")
    return [*table_text(heads, rows, left=2).splitlines(), "", *lines, INFORMS]


def cost_lines(trip: str, distance_m: float | None, costs: Sequence[TripCost], units: str) -> list[str]:
    """Return what a trip took of each damper, and what it was worth."""
    heads = ("position", "damper", "took most of", "of its budget", f"worth {_unit(units)} of street")
    rows = [
        (
            one.position,
            one.unit.label,
            one.most.name,
            f"{100.0 * one.budget_ratio:.2g} %",
            _number(one.street_miles, units),
        )
        for one in costs
    ]
    if not costs:
        return [f"trip {trip}: no damper counted on it"]
    hardest = max(costs, key=lambda one: one.street_miles)
    driven = "an unknown distance" if distance_m is None else _far(distance_m / M_PER_MILE, units)
    worth = _far(hardest.street_miles, units)
    return [
        f"trip {trip}: {driven} driven, worth {worth} of street to the {hardest.most.name} at {hardest.position}",
        *table_text(heads, rows, left=3).splitlines(),
        INFORMS,
    ]


def cost_to_json(one: TripCost) -> dict[str, Any]:
    """Return what a trip took of a damper for programs."""
    return {
        "position": one.position,
        "unit_id": one.unit.unit_id,
        "serial": one.unit.serial,
        "shares": dict(one.shares),
        "most": one.most.key,
        "budget_ratio": one.budget_ratio,
        "street_miles": one.street_miles,
    }


def plan_to_json(life: UnitLife, made: Sequence[tuple[PartLife, Made]]) -> dict[str, Any]:
    """Return how a planned trip would go for programs."""
    parts = [{"part": part.part.key, **asdict(one)} for part, one in made]
    return {"unit_id": life.unit.unit_id, "serial": life.unit.serial, "parts": parts}


def _figure_heads(units: str) -> tuple[str, ...]:
    return "state", "used", "measured", "early", "likely", "late", f"{_unit(units)} left", "order by"


def _part_row(one: PartLife, units: str) -> tuple[str, ...]:
    due, measured = one.forecast, one.used.measured_ratio
    return (
        one.part.name,
        f"{100.0 * one.ratio:.0f} %" if one.part.weights else "-",
        "-" if measured is None else f"{100.0 * measured:.0f} %",
        *(_ordinal(day) for day in (due.day_10, due.day_50, due.day_90)),
        "-" if due.miles_50 is None else _number(due.miles_50, units),
    )


def _order(life: UnitLife) -> tuple[int, date, float]:
    return order_damper((one.judge(life.today) for one in life.parts), (one.judged.urgency for one in life.marked))


def _pressing_marks(lives: Sequence[UnitLife]) -> list[str]:
    """Return a line for each mark that says stop or soon, the most urgent first."""
    found = [(one, marked) for one in lives for marked in one.marked if marked.judged.urgency in MARK_RANKS]
    found.sort(key=lambda each: -MARK_RANKS[each[1].judged.urgency])
    return [
        f"mark on the shaft of {one.unit.label}: {marked.judged.urgency}; see: dutylog life show {one.unit.label}"
        for one, marked in found
    ]


def _mechanism_lines(name: str, weight: float, dose: float) -> list[str]:
    mechanism, reference = MECHANISMS[name], reference_doses()[name]
    lines = [
        f"{mechanism.name}: {mechanism.formula}",
        f"  measured dose                     {dose:.6g} {mechanism.unit}",
        f"  reference dose                    {reference:.6g} {mechanism.unit}",
        f"  {f'{weight:g} x dose / reference':<34}{weight * dose / reference:.4f}",
    ]
    return lines + [
        f"  {one.key} = {one.value:g}{_unit_text(one.unit)}: {one.source}" for one in mechanism.coefficients
    ]


def _unit_text(unit: str) -> str:
    """Return a unit as it follows a number; a ratio has none."""
    return "" if unit == "1" else f" {unit}"


def _entry(one: PartLife) -> str:
    return "" if one.since.row is None else f" (entry {one.since.row})"


def _driven(far: str, miles: float | None) -> str:
    return "" if miles is None else f"; driven since it counts: {far}"


def _far(miles: float | None, units: str) -> str:
    return "-" if miles is None else f"{_number(miles, units)} {_unit(units)}"


def _number(miles: float, units: str) -> str:
    far = miles if units == "us" else miles * M_PER_MILE / M_PER_KM
    return f"{float(f'{far:.3g}'):,.0f}"


def _unit(units: str) -> str:
    return "miles" if units == "us" else "km"


def _ordinal(day: int | None) -> str:
    return "-" if day is None else str(date.fromordinal(day))


def _said_day(day: date | None) -> str:
    return "a day that nobody knows" if day is None else str(day)


def _day(day: date | None) -> str:
    return "none" if day is None else str(day)
