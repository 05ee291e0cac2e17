"""What the sensors of a running daemon read now, for a person who calibrates (shared/SNAPSHOT.md)."""

from __future__ import annotations

import json
import math
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from dutylog.clock import Clock
from dutylog.errors import SourceLost
from dutylog.sockets import LIVE, unix_address
from dutylog.units import NS_PER_S

READ_S = 2
"""Snapshots averaged for one reading, each the mean of a second."""
WAIT_S = 8.0
LINE_BYTES = 256 * 1024
"""Longest line of a snapshot. Source: shared/SNAPSHOT.md."""
_BY_HAND = "start `dutylog run` of a version that tells raw counts, or type the counts by hand (--point RAW LENGTH)"


@dataclass(frozen=True, slots=True)
class RawReading:
    """Mean and deviation of a sensor's counts over some seconds."""

    mean: float
    noise: float
    seconds: float


class RawReader(Protocol):
    """Where raw counts come from while a person measures."""

    def read(self, position: str) -> RawReading:
        """Return the counts of now; SourceLost with one line where there are none."""
        ...


class LiveReader:
    """Raw counts from core's snapshots (`travel_raw`, `travel_raw_noise` of each damper, means of a second)."""

    def __init__(self, data_dir: Path, clock: Clock) -> None:
        self._data_dir = data_dir
        self._clock = clock

    def read(self, position: str) -> RawReading:
        """Average READ_S snapshots of seconds that begin from now on."""
        seen: list[tuple[float, float]] = []
        with _snapshots(self._data_dir, self._clock, position) as lines:
            # What is there on connecting, and what is made because of it, may be from before the vehicle stood still.
            for _ in range(2):
                next(lines)
            while len(seen) < READ_S:
                found = next(lines)["dampers"][position]
                if "travel_raw" not in found:
                    raise SourceLost(f"this daemon tells no raw counts; {_BY_HAND}")
                mean, noise = _number(found["travel_raw"]), _number(found.get("travel_raw_noise"))
                if mean is None:
                    raise SourceLost(f"{position}: the sensor gives no counts now; check its plug, then read again")
                seen.append((mean, noise or 0.0))
        middle = sum(mean for mean, _ in seen) / READ_S
        power = sum((mean - middle) ** 2 + noise**2 for mean, noise in seen) / READ_S
        return RawReading(middle, math.sqrt(power), float(READ_S))


def read_bodies(data_dir: Path, position: str, clock: Clock) -> tuple[float, float, tuple[float, ...]]:
    """Return body, air and other bodies [°C] of the next snapshot, without offsets where it tells them."""
    with _snapshots(data_dir, clock, position) as lines:
        next(lines)  # may be some seconds old; core makes one of now because of this line
        snapshot = next(lines)
    if snapshot.get("moving") is True:
        raise SourceLost("the vehicle moves or just did, so it hasn't rested; let it stand and try again")
    bodies = {name: _number(d.get("body_raw_c", d.get("body_c"))) for name, d in snapshot["dampers"].items()}
    body_c, ambient_c = bodies.pop(position), _number(snapshot.get("ambient_c"))
    if body_c is None or ambient_c is None:
        name = "the air" if body_c is not None else f"the body at {position}"
        raise SourceLost(f"{name} has no temperature now; check its thermocouple, or give --body and --ambient")
    return body_c, ambient_c, tuple(v for v in bodies.values() if v is not None)


@contextmanager
def _snapshots(data_dir: Path, clock: Clock, position: str) -> Iterator[Iterator[dict[str, Any]]]:
    """Give the snapshots of a running core, each with a new `seq`, `dampers` by position."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as end:
        try:
            with unix_address(data_dir, LIVE) as address:
                end.settimeout(WAIT_S)
                end.connect(address)
        except OSError as err:
            raise SourceLost(f"no daemon runs on {data_dir}; {_BY_HAND}") from err
        yield _parsed(end, data_dir, clock, position)


def _parsed(end: socket.socket, data_dir: Path, clock: Clock, position: str) -> Iterator[dict[str, Any]]:
    held, seen, deadline_ns = b"", None, clock.mono_ns() + round(WAIT_S * NS_PER_S)
    while True:
        try:
            piece = end.recv(65_536)
        except OSError:
            piece = b""
        if not piece or clock.mono_ns() > deadline_ns or len(held) > LINE_BYTES:
            raise SourceLost(f"the daemon of {data_dir} says nothing new; look at `dutylog run`, then read again")
        *lines, held = (held + piece).split(b"\n")
        for line in lines:
            snapshot = _snapshot(line)
            if snapshot is None or snapshot["seq"] == seen:
                continue
            if position not in snapshot["dampers"]:
                raise SourceLost(f"the running daemon knows no position {position}; start it with this vehicle file")
            seen = snapshot["seq"]
            yield snapshot


def _snapshot(line: bytes) -> dict[str, Any] | None:
    """Return a snapshot, None for anything else."""
    try:
        found = json.loads(line)
        return {**found, "seq": found["seq"], "dampers": {d["position"]: dict(d) for d in found["dampers"]}}
    except (ValueError, RecursionError, TypeError, KeyError):
        return None


def _number(value: object) -> float | None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if is_number else None  # type: ignore[arg-type]
