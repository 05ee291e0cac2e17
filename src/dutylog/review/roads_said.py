"""What people put right of the kinds of road, laid over what was found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from dutylog.ledger.trip_notes import RoadSaid
from dutylog.review.trip_data import ROAD_KINDS, Segment, TripData


def as_said(data: TripData, said: Sequence[RoadSaid]) -> TripData:
    """Return a trip whose segments have people's words laid over them: what everybody reads who tells of its roads.

    The trip as it is kept doesn't have them, so a word that is withdrawn leaves nothing behind.
    """
    return replace(data, segments=lay_over(data.segments, said))


def lay_over(segments: Sequence[Segment], said: Sequence[RoadSaid]) -> tuple[Segment, ...]:
    """Return the segments with people's words in their places, in order of time.

    Args:
        segments: in order, without overlap; a hole stays a hole: nothing was logged there to be of any kind.
        said: in order of telling; where two overlap, the later one counts. A kind that isn't known is left out.
    """
    laid = list(segments)
    for one in said:
        if one.kind in ROAD_KINDS:
            laid = [piece for segment in laid for piece in _cut(segment, one)]
    return _joined(laid)


def _cut(segment: Segment, said: RoadSaid) -> list[Segment]:
    """Return a segment's part before a stretch, within and after it, without those that are empty."""
    first_s = min(max(said.from_s, segment.start_s), segment.end_s)
    last_s = min(max(said.to_s, first_s), segment.end_s)
    if last_s <= first_s:
        return [segment]
    before = Segment(segment.kind, segment.start_s, first_s, segment.is_said)
    within = Segment(said.kind, first_s, last_s, True)
    after = Segment(segment.kind, last_s, segment.end_s, segment.is_said)
    return [piece for piece in (before, within, after) if piece.end_s > piece.start_s]


def _joined(segments: list[Segment]) -> tuple[Segment, ...]:
    """Return the segments with neighbours that people said to be the same made one."""
    joined: list[Segment] = []
    for one in segments:
        last = joined[-1] if joined else None
        if last and last.is_said and one.is_said and (last.kind, last.end_s) == (one.kind, one.start_s):
            joined[-1] = Segment(one.kind, last.start_s, one.end_s, True)
        else:
            joined.append(one)
    return tuple(joined)
