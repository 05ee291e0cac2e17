"""The stretch of a running daemon's raw log in which somebody pushes a vehicle."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from dutylog.clock import Clock
from dutylog.errors import SourceLost
from dutylog.ledger.client import send_command
from dutylog.recording.frame import Frame
from dutylog.recording.reader import LogReader
from dutylog.recording.tail import read_log_state
from dutylog.units import FS_PER_S, NS_PER_S

LOG_FOLDER = "log"
AFTER_S = 2.5
"""Travel waited for behind the end: what is sampled now is in the log within a second or two."""
WAIT_S = 15.0
POLL_S = 0.5


class LogStretch:
    """Marks places in the raw log of a data folder while a daemon writes it, and reads what lies between."""

    def __init__(self, data_dir: Path, clock: Clock) -> None:
        self._data_dir, self._folder = data_dir, data_dir / LOG_FOLDER
        self._clock = clock

    def mark(self) -> int:
        """Return the number of the newest frame in the log; SourceLost when no daemon runs."""
        if send_command(self._data_dir, {"command": "ping"}) is None:
            raise SourceLost(f"no daemon runs on {self._data_dir}; start `dutylog run`, or give --recording FILE")
        return read_log_state(self._folder).next_sequence - 1

    def frames_since(self, begin: int) -> list[Frame]:
        """Return the frames from behind a mark until AFTER_S of travel from now on.

        Raises:
            SourceLost: no daemon runs any more, or no travel comes.
        """
        end, deadline_ns = self.mark(), self._clock.mono_ns() + round(WAIT_S * NS_PER_S)
        while _travel_s(frames := self._read(end)) < AFTER_S:
            if self._clock.mono_ns() > deadline_ns:
                seconds = _travel_s(frames)
                raise SourceLost(
                    f"the daemon of {self._data_dir} wrote {seconds:.1f} s of travel in {WAIT_S:g} s; look at "
                    "`dutylog check` and try again"
                )
            self._clock.sleep(POLL_S)
        return self._read(begin)

    def _read(self, after: int) -> list[Frame]:
        return list(LogReader(self._folder).frames(after_sequence=after))


def _travel_s(frames: Sequence[Frame]) -> float:
    """Return how much travel there is in frames [s]."""
    return sum(
        frame.n * frame.period_fs / FS_PER_S
        for frame in frames
        if frame.block is not None and frame.block.stream.has_travel
    )
