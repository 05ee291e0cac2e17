"""A travel sensor that stands still while the vehicle doesn't.

A frozen sensor still shows its noise, so the raw signal never looks dead; the prepared travel does.
Time is judged in quarters of a tile. The first second of a quiet stretch is neither measured nor
unmeasured until it is clear which, so that no total ever has to be taken back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

QUARTERS = 4
QUIET_QUARTERS = 4
"""Quiet this long (one second) while others move is stuck. Judgement: at full droop or on the bump
stop a moving vehicle's damper rests for tenths of a second."""
QUIET_M = 0.0003
QUIET_NOISE_LEVELS = 3.0
"""A quarter is quiet when prepared travel stays within 0.3 mm or 3 times the sensor's noise."""
OTHERS_MPS = 0.1
"""Median rms shaft speed of the other dampers that shows the vehicle is being shaken. Judgement."""


@dataclass(slots=True)
class StuckJudge:
    """Run of quiet quarters of one damper. times in us; start_ns of the run.

    is_loose: the sensor came loose in the latest quarter, its jump is still to come. blank_count:
    samples of the next tile into which the jump is smeared.
    """

    quiet: int = 0
    pending_us: int = 0
    start_ns: int = 0
    is_loose: bool = False
    blank_count: int = 0

    @property
    def is_calm(self) -> bool:
        """Return whether nothing is quiet, stuck or coming loose."""
        return self.quiet == 0 and not self.is_loose and self.blank_count == 0

    @property
    def is_stuck(self) -> bool:
        """Return whether the run is long enough to be a fault."""
        return self.quiet >= QUIET_QUARTERS

    def update(self, quiet: bool, believed_us: int, start_ns: int) -> tuple[int, int]:
        """Take a quarter; return (measured, unmeasured) time [us] that is now certain."""
        if not quiet:
            measured_us, unmeasured_us = self.settle()
            return measured_us + believed_us, unmeasured_us
        if self.quiet == 0:
            self.start_ns = start_ns
        self.quiet += 1
        self.pending_us += believed_us
        if not self.is_stuck:
            return 0, 0
        unmeasured_us, self.pending_us = self.pending_us, 0
        return 0, unmeasured_us

    def settle(self) -> tuple[int, int]:
        """End the run; return the (measured, unmeasured) time [us] it still held."""
        pending_us, self.pending_us = self.pending_us, 0
        stuck = self.is_stuck
        self.quiet = 0
        return (0, pending_us) if stuck else (pending_us, 0)

    def to_list(self) -> list[Any]:
        """Return the state in JSON types."""
        return [self.quiet, self.pending_us, self.start_ns, self.is_loose, self.blank_count]
