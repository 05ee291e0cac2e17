"""The verdict of a trip: what matters, in at most eight short sentences, each with its why.

Every sentence comes from a rule of review/verdict_rules.py; nothing else is said.
"""

from __future__ import annotations

from dutylog.review.review import FINE, LEVELS, Sentence
from dutylog.review.seen import Seen
from dutylog.review.verdict_heat import say_heat
from dutylog.review.verdict_hits import say_hits
from dutylog.review.verdict_rules import MOST_SENTENCES, ORDER
from dutylog.review.verdict_trip import say_trip, say_uneventful


def make_verdict(seen: Seen) -> tuple[Sentence, ...]:
    """Return the sentences, the most urgent first; within one level those on the vehicle come before its dampers'.

    Where the trip was told to be no drive, that comes before all.
    """
    found = [*say_trip(seen), *say_hits(seen), *say_heat(seen)]
    if all(one.level == FINE for one in found):
        found.append(say_uneventful(seen))
    return tuple(sorted(found, key=_order)[:MOST_SENTENCES])


def _order(one: Sentence) -> tuple[bool, int, bool, bool, int]:
    urgency = LEVELS.index(one.level)
    return one.rule != "not_driven", urgency, one.rule != "uneventful", bool(one.positions), ORDER.index(one.rule)
