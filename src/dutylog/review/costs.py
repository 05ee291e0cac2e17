"""What a trip took of the budgets of each damper's parts (shared/LIFE.md), for whole trips, parts and merged ones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from dutylog.errors import InputError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.trip_book import Span
from dutylog.life.doses import compute_shares
from dutylog.life.reference import street_miles
from dutylog.life.unit_life import Lives, UnitLife
from dutylog.review.review import UsedPart


@dataclass(frozen=True, slots=True)
class Cost:
    """What a trip took of one damper. used: of the budgets believed now, largest first; street_miles: of the first."""

    used: tuple[UsedPart, ...] = ()
    street_miles: float | None = None


NO_COST = Cost()


def read_costs(ledger: Ledger, spans: Sequence[Span], units: Iterable[str]) -> tuple[dict[str, Cost], str]:
    """Return costs by unit, and why some are lacking, '' where none is.

    Args:
        spans: where the trip lies. units: ids of the dampers that were on it.
    """
    lives, costs, problems = Lives(ledger), {}, []
    for unit_id in dict.fromkeys(units):
        unit = ledger.unit(unit_id)
        if unit is None:
            problems.append(f"damper {unit_id:.36} isn't in the ledger any more")
            continue
        try:
            costs[unit_id] = compute_cost(lives.read(unit), spans)
        except InputError as err:
            problems.append(str(err))
    return costs, "; ".join(problems)


def compute_cost(life: UnitLife, spans: Sequence[Span]) -> Cost:
    """Return what the rows of a damper within the spans took of it; nothing where they hold no use.

    A row that reaches over an end of a span counts by the share of its time within.
    """
    within = np.zeros(len(life.history.days))
    for span in spans:
        within += life.history.part_within(span.epoch, span.start_ns, span.end_ns)
    within = np.minimum(within, 1.0)
    found = []
    for one in life.parts:
        if not one.part.weights:
            continue
        doses, missed = (compute_shares(one.part, of) for of in (life.history.doses, life.history.missed))
        share = float((doses + missed) @ within)
        if share > 0.0:
            found.append((share / one.belief.budget.median, share, one.part))
    found.sort(key=lambda one: -one[0])
    used = tuple(UsedPart(part.key, part.name, ratio) for ratio, _, part in found)
    return Cost(used, street_miles(found[0][2], found[0][1])) if found else NO_COST
