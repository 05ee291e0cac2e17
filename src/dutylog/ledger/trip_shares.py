"""Shares of trips counted again tile by tile, within the borders the trips have had since they were driven.

A trip is the whole vehicle's: where it begins and ends was judged by all dampers together and stays, and so do the
shares of dampers that have nothing to do with the correction.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dutylog.duty.totals import Totals
from dutylog.engine.output import TripRow
from dutylog.errors import LedgerError
from dutylog.ledger.revisions import Revision, StoredTrip
from dutylog.recording.frame import Frame, FrameType

Seat = tuple[str, str]
"""A unit and the position it sat at."""


REST_NS = 1_100_000_000
"""A tile is about a second long; one that a change of configuration cut in two comes twice under its number."""


@dataclass(frozen=True, slots=True)
class Place:
    """Which tile this is, and from when to when it lasts on its boot's clock [ns]. shift_ns: see BootClocks."""

    epoch: int
    tile: int
    start_ns: int
    end_ns: int
    shift_ns: int


class BootClocks:
    """Follows how the engine moves an open trip from one boot's monotonic clock to the next (Engine._take_clock).

    shift_ns: so much later is an instant told on the present clock than on the first boot's.
    """

    def __init__(self) -> None:
        self.shift_ns = 0
        self._epoch, self._boot_id = 0, ""
        self._offset_ns: int | None = None
        self._old_offset_ns: int | None = None
        self._is_foreign = False

    def take(self, frame: Frame) -> None:
        """Take the next frame of the log, after the engine did."""
        data = frame.data or {}
        if frame.type is FrameType.SEGMENT_HEAD and frame.epoch != self._epoch:
            self._epoch = frame.epoch
            if (boot_id := str(data.get("boot_id", ""))) != self._boot_id:
                self._old_offset_ns, self._offset_ns = self._offset_ns, None
                self._boot_id, self._is_foreign = boot_id, True
        elif frame.type is FrameType.CLOCK and data.get("trusted") and data.get("boot_id") == self._boot_id:
            self._offset_ns = int(data["utc_ns"]) - int(data["mono_ns"])
            if self._is_foreign and self._old_offset_ns is not None:
                self.shift_ns += self._old_offset_ns - self._offset_ns
                self._is_foreign = False

    def take_tile(self) -> None:
        """Note that a tile was counted: what comes later than that moves no trip any more."""
        self._is_foreign = False


class TripShares:
    """Adds up what each damper did from a trip's first tile to its last, and writes it when the trip is over.

    open_trip: the one that goes on, as the engine has it; the ledger's row of it may be older. grace_ns: so long
    after its last motion a trip still takes strokes that end with the run.
    """

    def __init__(self, revision: Revision, open_trip: TripRow | None, grace_ns: int) -> None:
        self._revision, self._open, self._grace_ns = revision, open_trip, grace_ns
        self._next: StoredTrip | None = None
        self._now: StoredTrip | None = None
        self._is_begun = self._is_over = self._is_closed = False
        self._end_ns = 0
        self._last: Place | None = None
        self._sums: dict[Seat, Totals] = {}
        self._rest: dict[Seat, Totals] = {}

    def take(self, place: Place, gains: Iterable[tuple[Seat, Totals]]) -> None:
        """Take a tile."""
        if not self._is_begun:
            self._is_begun = True
            self._next = self._read_next((place.epoch, place.tile - 1))
        while self._next is not None and self._begins(self._next, place):
            self._flush()
            self._now, self._is_over, self._is_closed = self._next, False, False
            # A trip's row is told on the clock it ended on, perhaps another boot's.
            self._end_ns = self._now.end_ns - self._now.start_ns + place.start_ns - place.shift_ns
            self._next = self._read_next((self._now.epoch, self._now.start_tile))
        if self._now is not None:
            is_new_epoch = self._last is not None and self._last.epoch != place.epoch
            self._is_closed |= self._is_over and is_new_epoch and not self._now.is_open
            sums = self._rest if self._is_over else self._sums
            for seat, gained in gains:
                sums.setdefault(seat, Totals()).merge(gained)
            self._is_over |= place.end_ns - place.shift_ns == self._end_ns
        self._last = place

    def settle(self, seat: Seat, gained: Totals) -> None:
        """Take what became certain as a run ended; a trip that is closed doesn't get it."""
        if self._now is None or self._last is None or seat not in self._sums or self._is_closed:
            return
        is_late = self._is_over and self._last.end_ns - self._last.shift_ns - self._end_ns > self._grace_ns
        if self._now.is_open or not is_late:
            self._sums[seat].merge(gained)

    def finish(self) -> list[tuple[Seat, Totals, Totals]]:
        """Write the last trip; of one that goes on, return each share and what came after its last motion."""
        goes_on = self._now is not None and self._now.is_open
        shares = [(seat, sums, self._rest.get(seat, Totals())) for seat, sums in self._sums.items()]
        self._flush()
        return shares if goes_on else []

    @staticmethod
    def _begins(trip: StoredTrip, place: Place) -> bool:
        """Tell whether a trip has begun by this tile."""
        if (trip.epoch, trip.start_tile) != (place.epoch, place.tile):
            return (trip.epoch, trip.start_tile) < (place.epoch, place.tile)
        return not 0 < trip.start_ns - place.start_ns < REST_NS

    def _flush(self) -> None:
        trip = self._now
        if trip is None:
            return
        if not self._is_over:
            raise LedgerError(
                f"trip {trip.number or 'under way'} of the ledger doesn't end where the raw log has it end; "
                "nothing was changed. Look at `dutylog recording check`"
            )
        for (unit_id, position), totals in self._sums.items():
            if trip.number:
                self._revision.put_share(trip.number, unit_id, position, totals)
        self._sums, self._rest = {}, {}

    def _read_next(self, after: tuple[int, int]) -> StoredTrip | None:
        """Return the next trip of the ledger; the open one by the engine, also where it isn't stored yet."""
        found, row = self._revision.next_trip(after), self._open
        if row is None or (row.epoch, row.start_tile) <= after:
            return found
        key = (row.epoch, row.start_tile)
        if found is not None and (found.epoch, found.start_tile) < key:
            return found
        is_stored = found is not None and (found.epoch, found.start_tile) == key
        number = found.number if found is not None and is_stored else 0
        return StoredTrip(number, *key, row.start_ns, row.end_ns, is_open=True)


def patch_shares(
    shares: Sequence[Sequence[object]], counted: Sequence[tuple[Seat, Totals, Totals]], units: frozenset[str]
) -> list[list[object]]:
    """Return an open trip's shares as the engine's checkpoint has them, those of `units` as counted again."""
    new = {seat: (sums, rest) for seat, sums, rest in counted if seat[0] in units}
    patched = []
    for share in shares:
        found = new.get((str(share[0]), str(share[1])))
        patched.append(list(share) if found is None else [*share[:2], found[0].as_row(), found[1].as_row()])
    return patched
