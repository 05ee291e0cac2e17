"""A ledger written by the engine's own trackers second by second, with trips closer than their rows are long."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.engine.minutes import MinuteTracker
from dutylog.engine.output import MinuteRow, TripRow
from dutylog.engine.trips import TileSummary, TripTracker
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, Epoch
from dutylog.units import NS_PER_S
from ledger.builders import POSITIONS, fill

GRACE_S = 6
UTC_NS = 1_790_000_000 * NS_PER_S


@dataclass
class Tiled:
    """What was written, newest last. hot: all that was counted. commits: to be written again after a recovery.

    seconds: heat of each unit by epoch and begin of a second.
    """

    units: list[str]
    random_: random.Random
    hot: dict[str, Totals] = field(default_factory=dict)
    epochs: list[Epoch] = field(default_factory=list)
    commits: list[Commit] = field(default_factory=list)
    seconds: dict[tuple[int, int], list[int]] = field(default_factory=dict)
    sequence: int = 0
    now_s: int = 1000

    def drive(self, ledger: Ledger, stretches: int = 4) -> None:
        """Drive some times with short stops between, in an epoch of its own, and store all of it."""
        epoch = len(self.epochs) + 1
        self.epochs.append(Epoch(epoch, "bridge", "bridge", "boot-a", 0, UTC_NS, True))
        trips, minutes = TripTracker(GRACE_S * NS_PER_S), MinuteTracker()
        ended: list[TripRow] = []
        rows: list[MinuteRow] = []
        tile, begin_s = 0, self.now_s
        for _ in range(stretches):
            for length, moving in ((self.random_.randrange(7, 90), False), (self.random_.randrange(20, 200), True)):
                for _ in range(length):
                    summary = self._tile(epoch, tile, begin_s, moving=moving)
                    ended += trips.update(summary)
                    rows += minutes.update(summary, [[40.0]] * len(self.units), [20.0], [10.0 if moving else 0.0])
                    tile += 1
        self.now_s = begin_s + tile + 1000
        self.sequence += tile
        hot = {unit: totals.copy() for unit, totals in self.hot.items()}
        change = Commit(self.sequence, "1", hot, minutes=(*rows, *minutes.flush()), trips=(*ended, *trips.close()))
        self.commits.append(change)
        self.write(ledger, epoch)

    def write(self, ledger: Ledger, first: int = 1) -> None:
        """Write all commits from an epoch on, as a daemon does that follows its log."""
        for epoch, change in list(zip(self.epochs, self.commits, strict=True))[first - 1 :]:
            ledger.put_epoch(epoch)
            if change.sequence >= ledger.cursor().hot_sequence:
                ledger.commit(change)

    def _tile(self, epoch: int, tile: int, begin_s: int, *, moving: bool) -> TileSummary:
        gains = []
        for unit_id, position in zip(self.units, POSITIONS, strict=True):
            gained = Totals(measured_us=1_000_000)
            if moving:
                gained = Totals(*(self.random_.randrange(1, 5000) for _ in TOTALS_COLUMNS))
                gained.measured_us = gained.moving_us = gained.moving_measured_us = 1_000_000
                gained.unmeasured_us = 0
            self.hot.setdefault(unit_id, Totals()).merge(gained)
            gains.append((unit_id, position, gained))
        start_ns = (begin_s + tile) * NS_PER_S
        self.seconds[epoch, start_ns] = [gained.energy_uj for _, _, gained in gains]
        distance_m = 10.0 if moving else 0.0
        return TileSummary(epoch, tile, start_ns, start_ns + NS_PER_S, moving, distance_m, tuple(gains))


def make_tiled(ledger: Ledger, seed: int = 1, stretches: int = 4) -> Tiled:
    """Write some close trips to a ledger that has none."""
    made = Tiled(fill(ledger), random.Random(seed))
    made.drive(ledger, stretches)
    return made
