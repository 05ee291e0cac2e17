"""What flows from every source into the raw log and from there into the engine."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError

TRAVEL = "travel"
BODY_TEMPERATURE = "body_temperature"
AMBIENT_TEMPERATURE = "ambient_temperature"
SPEED = "speed"
STAMP = "stamp"
"""How far each sample of this stream really lies behind its grid instant [ns]."""
RESERVOIR_PRESSURE = "reservoir_pressure"
BATTERY_VOLTAGE = "battery_voltage"
LATITUDE = "latitude"
LONGITUDE = "longitude"

DTYPES = ("i2", "i4", "f4", "f8")
"""Sample types a stream may have, little-endian; the index in this tuple + 1 is the frame's code."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One column of a stream.

    name: the position it belongs to, '' for the vehicle. quantity: one of the names above.
    unit: 'mm', 'count', 'c', 'mps', 'ns', 'pa' (gauge), 'v', 'deg'. offset_ns: its sampling instant behind
    the stream's.
    """

    name: str
    quantity: str
    unit: str
    offset_ns: int = 0


@dataclass(frozen=True, slots=True)
class Stream:
    """A series of samples on one grid. stream_id: 1..65535, fixed within an epoch.

    has_travel: whether a channel is the travel of a shaft; worked out once, since it is asked with every block.
    """

    stream_id: int
    name: str
    dtype: str
    period_fs: int
    channels: tuple[Channel, ...]
    has_travel: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "has_travel", any(channel.quantity == TRAVEL for channel in self.channels))

    @property
    def samples_per_second(self) -> int:
        """Return round(rate), at least 1: samples in a tile and in a whole frame."""
        return max(1, round(1e15 / self.period_fs))

    def to_dict(self) -> dict[str, Any]:
        """Return the dictionary form that a segment head carries."""
        return {
            "stream_id": self.stream_id,
            "name": self.name,
            "dtype": self.dtype,
            "period_fs": self.period_fs,
            "channels": [
                {"name": c.name, "quantity": c.quantity, "unit": c.unit, "offset_ns": c.offset_ns}
                for c in self.channels
            ],
        }

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Stream:
        """Read the dictionary form; InputError when it makes no sense."""
        try:
            stream = Stream(
                stream_id=int(data["stream_id"]),
                name=str(data["name"]),
                dtype=str(data["dtype"]),
                period_fs=int(data["period_fs"]),
                channels=tuple(
                    Channel(str(c["name"]), str(c["quantity"]), str(c["unit"]), int(c["offset_ns"]))
                    for c in data["channels"]
                ),
            )
        except (KeyError, TypeError, ValueError) as err:
            raise InputError(f"stream description lacks or garbles {err}") from err
        if not (0 < stream.stream_id < 65536 and stream.dtype in DTYPES and stream.period_fs > 0):
            raise InputError(f"stream description out of range: {data!r}")
        return stream


@dataclass(frozen=True, slots=True)
class Block:
    """A gap-free run of one stream.

    data: (n, channels), the stream's dtype. t0_ns: monotonic time of the first row.
    period_fs: spacing of this run. quality: bit 0 time estimated, bit 1 source overran before it.
    """

    stream: Stream
    epoch: int
    first_index: int
    t0_ns: int
    period_fs: int
    data: NDArray[Any]
    quality: int = 0

    def __post_init__(self) -> None:
        if self.data.ndim != 2 or self.data.shape[1] != len(self.stream.channels):
            raise InputError(
                f"block of stream {self.stream.name} has shape {self.data.shape}, "
                f"expected (n, {len(self.stream.channels)})"
            )

    @property
    def end_index(self) -> int:
        """Return the index after the last row."""
        return self.first_index + len(self.data)

    def time_ns(self, index: int) -> int:
        """Return the grid instant [ns] of an index, exact integer arithmetic."""
        return self.t0_ns + (index - self.first_index) * self.period_fs // 1_000_000

    def rows(self, start: int, stop: int) -> Block:
        """Return rows start..stop (relative to this block) as a block of its own."""
        return Block(
            self.stream,
            self.epoch,
            self.first_index + start,
            self.time_ns(self.first_index + start),
            self.period_fs,
            np.ascontiguousarray(self.data[start:stop]),
            self.quality,
        )
