"""What a line to sensors must do: a bus, a bridge, a receiver. `acquire/sensors.py` makes one source of them all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, Protocol

from numpy.typing import NDArray

from dutylog.recording.block import Channel

WORKING: Final = "working"
WAITING: Final = "waiting"
LOST: Final = "lost"
WRONG: Final = "wrong"
"""States of a line or a channel: hands on readings; hasn't yet; is gone, asked again and again; answers wrongly."""
Word = Literal["working", "waiting", "lost", "wrong"]


@dataclass(frozen=True, slots=True)
class Plan:
    """One stream of a driver: what a `recording.block.Stream` has but its number.

    dtype: one of `recording.block.DTYPES`. period_fs: spacing of rows as asked for.
    """

    name: str
    dtype: str
    period_fs: int
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class Rows:
    """A gap-free run of one plan.

    plan: index in `Driver.plans`. index: of the first row, rising, on the driver's own count since `open`;
    a jump is a gap. t0_ns: monotonic time of the first row. period_fs: spacing of this run; rows that go
    on where the last run ended lie on its grid to 2 ns, or a new grid begins. data: (n, channels).
    quality: bit 0 time estimated, bit 1 rows were lost at the source right before.
    """

    plan: int
    index: int
    t0_ns: int
    period_fs: int
    data: NDArray[Any]
    quality: int = 0


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How one channel is. text: one line for people, what is wrong and what to do; '' while it is working."""

    position: str
    quantity: str
    word: Word
    text: str = ""


@dataclass(frozen=True, slots=True)
class DriverState:
    """How a line is. text: as in ChannelState. counters: totals since the start of the program, by name."""

    name: str
    word: Word
    text: str
    counters: Mapping[str, int]
    channels: tuple[ChannelState, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """A line of `dutylog check`. subject: what was looked at. text: what was seen. remedy: what to do, if anything.

    position, noise_counts: of a travel input, so that whoever knows its calibration can tell it in millimetres.
    """

    subject: str
    verdict: Literal["pass", "look", "fail"]
    text: str
    remedy: str = ""
    position: str = ""
    noise_counts: float | None = None


class Driver(Protocol):
    """One line to sensors. `open`, `read` and `close` are called by one thread of its own, `state` by any.

    name: short, for people and logs: 'bridge', 'i2c-1', 'gps'. plans: fixed from the start. is_clocked: the
    device's own clock times the rows, so an `open` after a loss begins a new epoch; otherwise rows go on
    on the same grid, counted from the instant given to `open`.
    """

    @property
    def name(self) -> str: ...

    @property
    def plans(self) -> tuple[Plan, ...]: ...

    @property
    def is_clocked(self) -> bool: ...

    def open(self, t0_ns: int) -> None:
        """Find the device and make it ready; row i of a host-timed plan lies at t0_ns + i periods.

        Raises:
            SourceLost: it isn't there or doesn't answer; asked again later.
            WrongDevice: something else answers.
        """
        ...

    def read(self, limit_s: float) -> list[Rows]:
        """Return what came, waiting at most about `limit_s` for it; what one channel lacks is NaN or a gap.

        Raises:
            SourceLost: the device is gone or began anew (a reset): `close`, then `open` again.
        """
        ...

    def close(self) -> None:
        """Let go of the device; safe to call twice, never raises."""
        ...

    def state(self) -> DriverState:
        """Return how it is now."""
        ...

    def probe(self) -> list[Finding]:
        """Look at the device for `dutylog check`; between `open` and `close`, takes at most some seconds."""
        ...
