"""Rules of the verdict on the ends of travel: bottomed, topped out, strap, bump stop."""

from __future__ import annotations

from dataclasses import dataclass

from dutylog.domain.quantity import position_text
from dutylog.review.review import ACT, LOOK, DamperRow, Figure, Sentence, Words
from dutylog.review.seen import Seen, add_others, times
from dutylog.review.trip_data import BOTTOMED, BUMP_STOP, STRAP, TOPPED_OUT, Contact
from dutylog.review.verdict_rules import limit
from dutylog.units import M_PER_KM

_SAYS = {
    BOTTOMED: " bottomed ",
    TOPPED_OUT: " topped out ",
    STRAP: " was caught by its limit strap ",
}


@dataclass(frozen=True, slots=True)
class _End:
    """How one damper met an end of its travel. level: None where nothing is said of it."""

    position: str
    count: int
    hardest: Contact | None
    level: str | None

    @property
    def order(self) -> tuple[bool, float, int]:
        """Return what sorts the worst first."""
        return self.level != ACT, -(self.hardest.speed_mps if self.hardest else 0.0), -self.count


def say_hits(seen: Seen) -> list[Sentence]:
    """Return a sentence for each end of travel that was met too often or too hard."""
    found = [_judge_end(seen, kind) for kind in (BOTTOMED, TOPPED_OUT, STRAP)]
    return [one for one in (*found, _judge_bump_stop(seen)) if one is not None]


def _judge_end(seen: Seen, kind: str) -> Sentence | None:
    """Say who met an end of travel, the worst first: by how hard, then by how often."""
    ends = [_look(seen, row, kind) for row in seen.dampers]
    concerned = sorted((one for one in ends if one.level is not None), key=lambda one: one.order)
    if not concerned:
        return None
    worst = concerned[0]
    words: Words = (position_text(worst.position), _SAYS[kind], *times(worst.count), *_say_hardest(worst))
    others = add_others([(one.position, Figure("count", one.count)) for one in concerned[1:]])
    positions = tuple(one.position for one in concerned)
    return Sentence(kind, worst.level or LOOK, positions, (*words, *others), _why(kind))


def _look(seen: Seen, row: DamperRow, kind: str) -> _End:
    hardest = _hardest(seen, row.position, kind)
    count = row.bottom_outs_count if kind == BOTTOMED else row.contacts_count.get(kind, 0)
    return _End(row.position, count, hardest, _level(kind, count, hardest))


def _level(kind: str, count: int, hardest: Contact | None) -> str | None:
    speed_mps = 0.0 if hardest is None or not count else hardest.speed_mps
    if kind == BOTTOMED and (count >= limit(kind, "act_count") or speed_mps >= limit(kind, "act_mps")):
        return ACT
    if count >= limit(kind, "look_count") or speed_mps >= limit(kind, "look_mps"):
        return LOOK
    return None


def _say_hardest(end: _End) -> Words:
    hardest = end.hardest
    if hardest is None:
        return ()
    what = ", at " if end.count == 1 else ", the hardest at "
    return (what, Figure("shaft_mps", hardest.speed_mps), ", ", Figure("duration_s", hardest.t_s), " into the trip")


def _why(kind: str) -> Words:
    said: Words = (
        "said from ",
        Figure("count", limit(kind, "look_count")),
        " of them on, or one at ",
        Figure("shaft_mps", limit(kind, "look_mps")),
        " or more",
    )
    if kind != BOTTOMED:
        return said
    urgent = Figure("count", limit(kind, "act_count")), Figure("shaft_mps", limit(kind, "act_mps"))
    look = "; look at bump stops, springs and mounts from ", urgent[0], " on or at ", urgent[1]
    return (*said, *look)


def _judge_bump_stop(seen: Seen) -> Sentence | None:
    distance_m = seen.facts.distance_m
    often = [
        (row, count) for row in seen.dampers if _is_often(count := row.contacts_count.get(BUMP_STOP, 0), distance_m)
    ]
    if not often:
        return None
    often.sort(key=lambda one: -one[1])
    row, count = often[0]
    others = [(one.position, Figure("count", number)) for one, number in often[1:]]
    words: Words = (
        position_text(row.position),
        " was on its bump stop ",
        *times(count),
        *_by_distance(count, distance_m),
    )
    why: Words = (
        "said from ",
        Figure("count", limit(BUMP_STOP, "look_count")),
        " contacts on that are also more than ",
        Figure("per_m", limit(BUMP_STOP, "look_per_km") / M_PER_KM),
        "; bump stops are there to be met now and then",
    )
    positions = tuple(one.position for one, _ in often)
    return Sentence(BUMP_STOP, LOOK, positions, (*words, *add_others(others)), why)


def _is_often(count: int, distance_m: float | None) -> bool:
    """Tell whether a bump stop was met often; without a distance by the count alone."""
    if count < limit(BUMP_STOP, "look_count"):
        return False
    return not distance_m or count / distance_m * M_PER_KM >= limit(BUMP_STOP, "look_per_km")


def _by_distance(count: int, distance_m: float | None) -> Words:
    return (", ", Figure("per_m", count / distance_m)) if distance_m else ()


def _hardest(seen: Seen, position: str, kind: str) -> Contact | None:
    own = [one for one in seen.data.contacts if one.position == position and one.kind == kind]
    return max(own, key=lambda one: one.speed_mps, default=None)
