"""What to do after a trip: each item with its reason, asked for where the trip calls for it.

Words only: what was done is told with the command `care` (ledger/trip_notes.py). Rules: shared/REVIEW.md.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from dutylog.domain.quantity import position_text
from dutylog.heat.stop import HANDLE_C
from dutylog.ledger.trip_notes import CareDone
from dutylog.review.bodies import last_bodies_c, peak_bodies_c
from dutylog.review.care_words import (
    BOLTS,
    BUMP_STOPS,
    BURNS,
    CHARGED,
    COOL,
    DRY,
    GAS,
    NO_WATER,
    NOT_SHAFT,
    ON_STANDS,
    PROTECT,
    STRAPS,
    WASH,
    joint_words,
    leak_words,
    profile_at,
)
from dutylog.review.review import CareItem, DamperRow, Figure, Words
from dutylog.review.seen import join_words, times
from dutylog.review.trip_data import (
    BOTTOMED,
    BUMP_STOP,
    GRADED,
    JUMPS,
    ROUGH,
    STRAP,
    TOPPED_OUT,
    WASHBOARD,
    TripData,
)
from dutylog.review.verdict_rules import HARD_MPS, NEAR_LIMIT_K

DIRTY_ROADS = (GRADED, WASHBOARD, ROUGH, JUMPS)
DIRTY_S = 60.0
"""Of such roads in a trip from which shafts may be dirty where nobody said what they had on. Judgement."""
GAS_DAYS = 180.0
"""A charge read longer ago is read again; it is looked at once a year at least (shared/LIFE.md). Judgement."""
_LOG_GONE = "part of the raw log is gone"
_Verdict = tuple[bool, Words]


@dataclass(frozen=True, slots=True)
class _Trip:
    """What of a trip decides on its care: positions by what happened to them. hardest_mps: contact that bottomed.

    extended: contacts by position and kind, of straps and full extension.
    last_c: bodies of the last minute, by position. unknown: positions that moved without one. peak: the hottest body
    of the trip that is known of those, and where. is_whole: the raw log holds all of the trip.
    """

    last_c: Mapping[str, float]
    unknown: tuple[str, ...]
    peak: tuple[float, str] | None
    is_whole: bool
    near_limit: tuple[str, ...]
    bottomed: Mapping[str, int]
    hard_bump: tuple[str, ...]
    extended: Mapping[tuple[str, str], int]
    hardest_mps: float | None
    dirty_s: float
    jumps_s: float


def make_care(
    *,
    data: TripData,
    dampers: Sequence[DamperRow],
    seconds: float,
    dirt: str | None,
    is_washed: bool | None,
    gas_days: Mapping[str, float | None],
    done: Sequence[CareDone],
) -> tuple[CareItem, ...]:
    """Return every item of care in the order in which it is done, those that the trip doesn't call for included.

    Args:
        data: with people's words laid over its roads. dampers: rows of the same trip; seconds: its length. Their sums
            and peaks are the ledger's, and known where the log is gone.
        dirt: what the trip had on its shafts by its owner's word, one of domain/wear.DIRTS, None: nobody said.
        is_washed: whether they were washed, None: nobody said.
        gas_days: by position, how many days before the trip's end its nitrogen was last read, negative: after it,
            None: not known. Dampers without gas aren't in it.
        done: what people did, the last word on each item.
    """
    trip = _look(data, dampers, seconds)
    wash = _judge_wash(trip, dirt, is_washed)
    is_wet = wash[0] or bool(dirt and is_washed)
    items = (
        _item("cool", COOL, _judge_cool(trip), BURNS),
        _item("wash", WASH, wash, NO_WATER),
        _item("dry", DRY, _after_washing(is_wet), None),
        _item("protect", PROTECT, _after_washing(is_wet), NOT_SHAFT),
        _item("leaks", leak_words(data), _judge_leaks(trip), BURNS),
        _item("gas", GAS, _judge_gas(trip, gas_days), CHARGED),
        _item("bolts", BOLTS, _judge_bolts(trip), ON_STANDS),
        _item("bump_stops", BUMP_STOPS, _judge_bump_stops(trip), ON_STANDS),
        _item("straps", STRAPS, _judge_straps(trip), ON_STANDS),
        _item("joints", joint_words(data), _judge_joints(trip), ON_STANDS),
    )
    return lay_done(items, done)


def lay_done(items: Sequence[CareItem], done: Sequence[CareDone]) -> tuple[CareItem, ...]:
    """Return the items with who did them as told now; words on items that aren't there are left out."""
    by_item = {one.item: one for one in done}
    return tuple(_with_word(one, by_item.get(one.key)) for one in items)


def _with_word(item: CareItem, word: CareDone | None) -> CareItem:
    if word is None:
        return replace(item, done_by=None, done_utc_s=None, row=None, note=None)
    return replace(item, done_by=word.by, done_utc_s=word.utc_s, row=word.row, note=word.note)


def _item(key: str, text: Words, verdict: _Verdict, caution: Words | None) -> CareItem:
    return CareItem(key, text, verdict[1], verdict[0], caution, None, None, None, None)


# whether the trip calls for it


def _look(data: TripData, dampers: Sequence[DamperRow], seconds: float) -> _Trip:
    # A damper that was swapped on the way leaves two of a position.
    last_c = last_bodies_c(data, seconds)
    peaks_c = peak_bodies_c(data, dampers)
    bottomed: Counter[str] = Counter()
    for row in dampers:
        bottomed[row.position] += row.bottom_outs_count
    moved = [row.position for row in dampers if _has_moved(row)]
    unknown = tuple(place for place in dict.fromkeys(moved) if place not in last_c)
    hard = [one.position for one in data.contacts if one.kind == BUMP_STOP and one.speed_mps >= HARD_MPS]
    kinds = {kind: sum(one.end_s - one.start_s for one in data.segments if one.kind == kind) for kind in DIRTY_ROADS}
    return _Trip(
        last_c=last_c,
        unknown=unknown,
        peak=max(((peaks_c[place], place) for place in unknown if place in peaks_c), default=None),
        is_whole=data.is_raw_whole,
        near_limit=tuple(place for place, peak_c in peaks_c.items() if peak_c >= _limit_c(data, place) - NEAR_LIMIT_K),
        bottomed=+bottomed,
        hard_bump=tuple(dict.fromkeys(hard)),
        extended=Counter((one.position, one.kind) for one in data.contacts if one.kind in (STRAP, TOPPED_OUT)),
        hardest_mps=max((one.speed_mps for one in data.contacts if one.kind == BOTTOMED), default=None),
        dirty_s=sum(kinds.values()),
        jumps_s=kinds[JUMPS],
    )


def _has_moved(row: DamperRow) -> bool:
    """Return whether a damper moved, or may have: one that nobody measured did as the vehicle did."""
    return row.coverage_ratio is not None or row.strokes_count > 0 or row.unmeasured_s > 0.0


def _judge_cool(trip: _Trip) -> _Verdict:
    hottest: Words = ()
    if trip.last_c:
        last_c = max(trip.last_c.values())
        hottest = ("the hottest body had ", Figure("temperature_c", last_c), " at the end of the trip")
        if not trip.unknown and last_c < HANDLE_C:
            return False, (*hottest, "; feel before you touch all the same")
        if not trip.unknown:
            return True, (*hottest, "; while the live page is on it shows how long they take")
        hottest = ("the hottest of the others had ", *hottest[1:], "; ")
    missing: Words = (f"not measured at the end: {_named(trip.unknown)}; " if trip.unknown else "",)
    if not trip.last_c and trip.peak is None:
        missing = ("no body temperature was measured; ",)
    peak: Words = ()
    if trip.peak is not None:
        peak_c, place = trip.peak
        peak = (f"{position_text(place)} had up to ", Figure("temperature_c", peak_c), " on the trip; ")
    return True, (*missing, *peak, *hottest, "hold a hand near before you touch one")


def _judge_wash(trip: _Trip, dirt: str | None, is_washed: bool | None) -> _Verdict:
    if dirt is not None:
        if is_washed:
            return False, (f"{dirt} was told, and that they were washed",)
        return True, (f"{dirt} was told, and not that they were washed",)
    if trip.dirty_s >= DIRTY_S:
        driven = Figure("duration_s", trip.dirty_s)
        return True, (driven, " off paved roads; nobody said yet what the shafts had on: look, and say so")
    if not trip.is_whole:
        return True, (f"{_LOG_GONE}, and nobody said yet what the shafts had on: look, and say so",)
    return False, ("hardly any of the trip was off paved roads, and nobody told of dirt",)


def _after_washing(is_wet: bool) -> _Verdict:
    return (True, ("after washing",)) if is_wet else (False, ("nothing to wash off",))


def _judge_leaks(trip: _Trip) -> _Verdict:
    if trip.near_limit:
        return True, (_named(trip.near_limit), " came near the body's limit: heat is hard on seals")
    if trip.bottomed:
        return True, (_named(trip.bottomed), " bottomed: hits press oil past worn seals")
    return True, ("after every trip: a leak that is found early costs a seal, later the damper",)


def _judge_gas(trip: _Trip, gas_days: Mapping[str, float | None]) -> _Verdict:
    if not gas_days:
        return False, ("no damper here is known to have a charge",)
    unknown = [place for place, days in gas_days.items() if days is None]
    if unknown:
        return True, (f"how old the last reading of {_named(unknown)} was at the end of the trip isn't known",)
    oldest, days = max(((place, days or 0.0) for place, days in gas_days.items()), key=lambda one: one[1])
    if days < 0.0:
        return False, ("every charge was read after the trip",)
    age = Figure("count", int(days))
    read = ("the oldest reading, of ", position_text(oldest), ", was ", age, " days old at the end of the trip")
    if days >= GAS_DAYS:
        return True, read
    hot = [place for place in trip.near_limit if place in gas_days]
    if hot:
        return True, (_named(hot), " came near the body's limit: heat drives gas out")
    return False, read


def _judge_bolts(trip: _Trip) -> _Verdict:
    if trip.bottomed:
        return True, _bottomed_words(trip)
    return False, ("nothing bottomed",)


def _judge_bump_stops(trip: _Trip) -> _Verdict:
    if trip.bottomed:
        return True, _bottomed_words(trip)
    if trip.hard_bump:
        return True, (_named(trip.hard_bump), " met the bump stop at ", Figure("shaft_mps", HARD_MPS), " or faster")
    if not trip.is_whole:
        return True, (f"nothing bottomed; {_LOG_GONE}, so how hard bump stops were met isn't known",)
    return False, ("nothing bottomed, and no bump stop was met at ", Figure("shaft_mps", HARD_MPS), " or faster")


def _judge_straps(trip: _Trip) -> _Verdict:
    if not trip.extended and not trip.is_whole:
        return True, (f"{_LOG_GONE}, so whether a strap was pulled isn't known",)
    if not trip.extended:
        return False, ("nothing was pulled to full extension as far as it was measured",)
    words: list[str | Figure] = []
    for kind, says in ((STRAP, "pulled straps taut "), (TOPPED_OUT, "topped out ")):
        if count := sum(many for (_, of), many in trip.extended.items() if of == kind):
            words += [" and " if words else " ", says, *times(count)]
    left = "" if trip.is_whole else f" in what is left of the log; {_LOG_GONE}"
    places = dict.fromkeys(place for place, _ in trip.extended)
    return True, (_named(places), *words, left)


def _judge_joints(trip: _Trip) -> _Verdict:
    if trip.bottomed:
        return True, _bottomed_words(trip)
    if trip.jumps_s > 0.0:
        return True, ("the trip had jumps: landings load them most",)
    if not trip.is_whole:
        return True, (f"nothing bottomed; {_LOG_GONE}, so whether there were jumps isn't known",)
    return False, ("no hits and no jumps; at the next service",)


def _bottomed_words(trip: _Trip) -> Words:
    count = Figure("count", sum(trip.bottomed.values()))
    words: Words = (_named(trip.bottomed), " bottomed, ", count, " times in all")
    return words if trip.hardest_mps is None else (*words, ", at up to ", Figure("shaft_mps", trip.hardest_mps))


def _named(places: Iterable[str]) -> str:
    """Return positions as words, 'front left and rear left'."""
    return join_words([position_text(place) for place in places])


def _limit_c(data: TripData, position: str) -> float:
    own = next(one for one in data.dampers if one.position == position)
    return profile_at(data, own).body_limit_c
