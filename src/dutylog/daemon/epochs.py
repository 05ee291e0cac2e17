"""Epochs and trips as the ledger numbers them: which there are, which is new, and what number one got."""

from __future__ import annotations

from collections.abc import Callable

from dutylog.engine.output import TripRow
from dutylog.errors import LedgerCorrupt, LedgerError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Epoch, Stamp
from dutylog.recording.source import Source


class EpochBook:
    """Asks and tells the ledger on behalf of core."""

    def __init__(self, ledger: Ledger, stamp: Callable[[], Stamp]) -> None:
        self._ledger, self._stamp = ledger, stamp
        self._trip_number: tuple[tuple[int, int], int] | None = None

    def last(self) -> int:
        """Return the highest number the ledger knows; it stands for its minutes and trips even if its log is gone."""
        return self._ledger.last_epoch()

    def put(self, source: Source, epoch: int) -> None:
        """Write the clocks of an epoch that begins; one that is known stays as it is."""
        if self._ledger.epoch(epoch) is None:
            now, is_live = self._stamp(), source.kind != "recording"
            mono_ns = now.mono_ns if is_live else 0
            trusted = now.utc_trusted and is_live
            self._ledger.put_epoch(Epoch(epoch, source.kind, source.text, now.boot_id, mono_ns, now.utc_ns, trusted))

    def find(self, text: str, last: int) -> int | None:
        """Return the number of the epoch that logged a resumable source, None when it is new."""
        for number in range(last, 0, -1):
            known = self._ledger.epoch(number)
            if known is not None and known.source_text == text:
                return number
        return None

    def trip_number(self, trip: TripRow) -> int | None:
        """Return the number the ledger gave the open trip; None before that, or while it can't be read."""
        key = trip.epoch, trip.start_tile
        if self._trip_number is None or self._trip_number[0] != key:
            try:
                newest = self._ledger.trips(1)
            except LedgerCorrupt:
                raise
            except LedgerError:
                return None
            if not newest or (newest[0].row.epoch, newest[0].row.start_tile) != key:
                return None
            self._trip_number = key, newest[0].number
        return self._trip_number[1]
