"""Which contacts are shown: the hardest of each kind, so that many light ones don't hide the few that matter."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dutylog.domain.quantity import position_text
from dutylog.review.review import DamperRow
from dutylog.review.trip_data import BOTTOMED, BUMP_STOP, STRAP, TOPPED_OUT, Contact

MOST_OF_KIND = 60
"""Contacts of a kind in a review, the hardest; how many there were is in `contacts_count`. Ten hours can have
thousands, and nobody reads a hundred. Judgement."""
_ORDER = (BOTTOMED, TOPPED_OUT, BUMP_STOP, STRAP)


def order_hits(contacts: Iterable[Contact]) -> tuple[Contact, ...]:
    """Return the hardest MOST_OF_KIND contacts of each kind: the hardest of each, then the second of each, and so on.

    Whoever shows the first few has the hardest of each kind.
    """
    found = sorted(contacts, key=lambda one: (-one.speed_mps, one.t_s))
    ranked = [
        (rank, order, hit)
        for order, kind in enumerate(_ORDER)
        for rank, hit in enumerate([one for one in found if one.kind == kind][:MOST_OF_KIND])
    ]
    return tuple(hit for _, _, hit in sorted(ranked, key=lambda one: one[:2]))


def choose_hits(hits: Sequence[Contact], room: int) -> list[Contact]:
    """Return the hardest hits of each kind, as many of each where there are, the kind that matters most first."""
    by_kind = {kind: sorted((h for h in hits if h.kind == kind), key=lambda h: -h.speed_mps) for kind in _ORDER}
    ranked = [(place, order, hit) for order, some in enumerate(by_kind.values()) for place, hit in enumerate(some)]
    chosen = sorted(ranked, key=lambda one: one[:2])[:room]
    return [hit for _, _, hit in sorted(chosen, key=lambda one: (one[1], one[0]))]


def count_hits(rows: Iterable[DamperRow]) -> int:
    """Return how many contacts there were, of the kinds that can be told."""
    return sum(count for row in rows for count in row.contacts_count.values())


def name_hit(hit: Contact, rows: Sequence[DamperRow]) -> str:
    """Return whose contact it was: its place, and the serial where two dampers sat there in turn."""
    own = next((row for row in rows if (row.position, row.unit_id) == (hit.position, hit.unit_id)), None)
    return position_text(hit.position) if own is None else name_damper(own, rows)


def name_damper(own: DamperRow, rows: Sequence[DamperRow]) -> str:
    """Return a damper's place as words, with its serial where two sat there in turn."""
    place = position_text(own.position)
    return f"{place} with serial {own.label}" if [row.position for row in rows].count(own.position) > 1 else place
