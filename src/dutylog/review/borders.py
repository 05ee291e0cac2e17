"""Which tiles of the raw log belong to a trip, when they are since its begin, and where it may be cut in two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dutylog.engine.epoch_run import PreparedTile
from dutylog.engine.minutes import TILES
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.trip_book import BookTrip, Span
from dutylog.units import NS_PER_S

LOOK_NS = 600 * NS_PER_S
"""The cut may lie so far from the middle: a few per cent of a trip that is worth cutting. Judgement."""
BUSY_STROKES = 20
"""Strokes of each damper in the minute before a cut; one is enough for both halves to agree. Judgement."""
MOST_UNMEASURED_US = 5_000_000
"""Of that minute; a sensor that fails just there would make both halves differ. Judgement."""
WHOLE_MINUTE_US = 59_000_000
"""A 60-second row is round(rate) times 60 samples long; a shorter one was broken off."""


class Borders:
    """Tells which tiles belong to a trip."""

    def __init__(self, spans: Sequence[Span]) -> None:
        """spans: in order, at least one."""
        self._spans = tuple(spans)

    @property
    def end(self) -> tuple[int, int]:
        """Return epoch and instant [ns] of the end."""
        return self._spans[-1].epoch, self._spans[-1].end_ns

    def find_s(self, tile: PreparedTile) -> float | None:
        """Return when a tile begins, in seconds since the trip's begin; None where it doesn't belong."""
        # By its middle: a change of configuration cuts a tile in two that have one number.
        middle_ns = (tile.start_ns + tile.end_ns) // 2
        for span in self._spans:
            if span.epoch == tile.epoch and span.start_tile <= tile.tile and span.start_ns <= middle_ns < span.end_ns:
                return max(0.0, (tile.start_ns - span.start_ns + span.after_ns) / NS_PER_S)
        return None

    def time_s(self, epoch: int, instant_ns: int) -> float | None:
        """Return an instant of an epoch's clock in seconds since the trip's begin, None for another epoch's."""
        of_epoch = [span for span in self._spans if span.epoch == epoch]
        if not of_epoch:
            return None
        span = next((one for one in reversed(of_epoch) if one.start_ns <= instant_ns), of_epoch[0])
        return (instant_ns - span.start_ns + span.after_ns) / NS_PER_S


def ends_with_its_trip(ledger: Ledger, trip: BookTrip) -> bool:
    """Tell whether the end is the engine's own; a part that was split off ends in the midst of motion."""
    row = ledger.trip(trip.numbers[-1]).row
    return "." not in trip.key or abs(trip.spans[-1].end_ns - row.end_ns) < NS_PER_S


@dataclass(frozen=True, slots=True)
class Cut:
    """Where a trip may be cut in two: before a tile of an epoch, which begins about at an instant [ns].

    done_s: how much of the trip lies before it.
    """

    epoch: int
    tile: int
    near_ns: int
    done_s: float


def find_cut(ledger: Ledger, trip: BookTrip) -> Cut | None:
    """Return a place near the middle of a trip where all of its dampers were at work; None where there is none.

    There and a minute before both halves see the same strokes, so that either can stand alone.
    """
    half_ns = sum(span.length_ns for span in trip.spans) // 2
    for span in trip.spans:
        if half_ns < span.length_ns:
            return _find_busy(ledger, trip, span, span.start_ns + half_ns)
        half_ns -= span.length_ns
    return None


def _find_busy(ledger: Ledger, trip: BookTrip, span: Span, middle_ns: int) -> Cut | None:
    first_ns, last_ns = max(span.start_ns, middle_ns - LOOK_NS), min(span.end_ns, middle_ns + LOOK_NS)
    units = {damper.unit_id for damper in trip.dampers}
    strokes: dict[tuple[int, int], list[int]] = {}
    for unit_id in units:
        for minute in ledger.minutes(unit_id, span.epoch, first_ns, last_ns):
            row = minute.row
            end_ns = row.start_ns + row.duration_us * 1000
            is_whole = row.totals.unmeasured_us <= MOST_UNMEASURED_US and row.duration_us > WHOLE_MINUTE_US
            if is_whole and first_ns <= row.start_ns and end_ns < last_ns:
                strokes.setdefault((row.minute, end_ns), []).append(row.totals.strokes_count)
    busy = [place for place, counts in strokes.items() if len(counts) == len(units) and min(counts) >= BUSY_STROKES]
    if not busy:
        return None
    number, end_ns = min(busy, key=lambda place: abs(place[1] - middle_ns))
    return Cut(span.epoch, (number + 1) * TILES, end_ns, (end_ns - span.start_ns + span.after_ns) / NS_PER_S)
