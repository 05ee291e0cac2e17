"""Rules of the verdict on the ends of travel: bottomed, topped out, strap, bump stop."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from dutylog.review.damper_rows import own_contacts
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
    """How one damper met an end of its travel. name: of the damper. is_all: the log holds all of it.

    level: None where nothing is said of it.
    """

    row: DamperRow
    name: str
    count: int
    is_all: bool
    hardest: Contact | None
    level: str | None

    @property
    def speed_mps(self) -> float:
        """Return the speed of the hardest contact, 0 where none is known."""
        return 0.0 if self.hardest is None else self.hardest.speed_mps


def say_hits(seen: Seen) -> list[Sentence]:
    """Return the sentences on each end of travel that was met too often or too hard: one for each level."""
    found = [one for kind in (BOTTOMED, TOPPED_OUT, STRAP) for one in _judge_end(seen, kind)]
    bump_stop = _judge_bump_stop(seen)
    return found if bump_stop is None else [*found, bump_stop]


def _judge_end(seen: Seen, kind: str) -> Iterator[Sentence]:
    """Say who met an end of travel, the hardest hit first; by how often where speeds aren't known."""
    ends = [_look(seen, row, kind) for row in seen.dampers]
    for level in (ACT, LOOK):
        concerned = [one for one in ends if one.level == level]
        if not concerned:
            continue
        has_speeds = all(one.hardest is not None for one in concerned)
        concerned.sort(key=lambda one: (-one.speed_mps if has_speeds else 0.0, -one.count))
        worst = concerned[0]
        words: Words = (worst.name, _SAYS[kind], *_say_count(worst), *_say_hardest(worst))
        others = [(one.name, *_say_count(one), *_up_to(one, has_speeds)) for one in concerned[1:]]
        positions = tuple(dict.fromkeys(one.row.position for one in concerned))
        yield Sentence(kind, level, positions, (*words, *_bracketed(others)), _why(kind))


def _look(seen: Seen, row: DamperRow, kind: str) -> _End:
    own = [one for one in own_contacts(seen.data.contacts, row.position, row.unit_id) if one.kind == kind]
    is_all = kind == BOTTOMED or seen.data.is_raw_whole
    count = row.bottom_outs_count if kind == BOTTOMED else len(own)
    hardest = max(own, key=lambda one: one.speed_mps, default=None) if count else None
    level = _level(kind, count, 0.0 if hardest is None else hardest.speed_mps, seen.facts.distance_m)
    return _End(row, seen.name(row), count, is_all, hardest, level)


def _level(kind: str, count: int, speed_mps: float, distance_m: float | None) -> str | None:
    if kind == BOTTOMED and (count >= limit(kind, "act_count") or speed_mps >= limit(kind, "act_mps")):
        return ACT
    is_often = _is_often(kind, count, distance_m) if kind == STRAP else count >= limit(kind, "look_count")
    return LOOK if is_often or speed_mps >= limit(kind, "look_mps") else None


def _say_count(end: _End) -> Words:
    return times(end.count) if end.is_all else ("at least ", *times(end.count))


def _say_hardest(end: _End) -> Words:
    hardest = end.hardest
    if hardest is None:
        return ()
    what = ", at " if end.count == 1 else ", the hardest at "
    return (what, Figure("shaft_mps", hardest.speed_mps), ", ", Figure("duration_s", hardest.t_s), " into the trip")


def _up_to(end: _End, has_speeds: bool) -> Words:
    return (" at up to ", Figure("shaft_mps", end.speed_mps)) if has_speeds else ()


def _bracketed(others: list[Words]) -> Words:
    """Return ' (rear left 3 times at up to 1.20 m/s; ...)', nothing without any."""
    words: list[str | Figure] = []
    for place, (name, *rest) in enumerate(others):
        words += [f"{'; ' if place else ' ('}{name} ", *rest]
    return (*words, ")") if words else ()


def _why(kind: str) -> Words:
    often: Words = (" of them on",)
    if kind == STRAP:
        often = (" of them on where that is ", Figure("per_m", limit(kind, "look_per_km") / M_PER_KM), " or more")
    said: Words = (
        "said from ",
        Figure("count", limit(kind, "look_count")),
        *often,
        ", or one at ",
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
    ends = [one for row in seen.dampers if _is_often(BUMP_STOP, (one := _look_at_stop(seen, row)).count, distance_m)]
    if not ends:
        return None
    ends.sort(key=lambda one: -one.count)
    worst = ends[0]
    others = [(one.name, Figure("count", one.count)) for one in ends[1:]]
    words: Words = (
        worst.name,
        " was on its bump stop ",
        *_say_count(worst),
        *_by_distance(worst.count, distance_m),
    )
    why: Words = (
        "said from ",
        Figure("count", limit(BUMP_STOP, "look_count")),
        " contacts on where that is ",
        Figure("per_m", limit(BUMP_STOP, "look_per_km") / M_PER_KM),
        " or more; bump stops are there to be met now and then",
    )
    positions = tuple(dict.fromkeys(one.row.position for one in ends))
    return Sentence(BUMP_STOP, LOOK, positions, (*words, *add_others(others)), why)


def _look_at_stop(seen: Seen, row: DamperRow) -> _End:
    own = [one for one in own_contacts(seen.data.contacts, row.position, row.unit_id) if one.kind == BUMP_STOP]
    return _End(row, seen.name(row), len(own), seen.data.is_raw_whole, None, None)


def _is_often(kind: str, count: int, distance_m: float | None) -> bool:
    """Tell whether a bump stop or strap was met often; without a distance by the count alone."""
    if count < limit(kind, "look_count"):
        return False
    return not distance_m or count / distance_m * M_PER_KM >= limit(kind, "look_per_km")


def _by_distance(count: int, distance_m: float | None) -> Words:
    return (", ", Figure("per_m", count / distance_m)) if distance_m else ()
