"""Which columns of a recording file belong to which position, and what is wrong with them."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from dutylog.acquire.table import Table
from dutylog.config.columns import AMBIENT, BODY_END, INSTANT, PRESSURE_ENDS_PA, TRAVEL_END, VEHICLE_SPEED
from dutylog.errors import RecordingError
from dutylog.recording.block import (
    AMBIENT_TEMPERATURE,
    BODY_TEMPERATURE,
    RESERVOIR_PRESSURE,
    SPEED,
    TRAVEL,
    Channel,
)

_VEHICLE = ((AMBIENT, AMBIENT_TEMPERATURE, "c"), (VEHICLE_SPEED, SPEED, "mps"))


@dataclass(frozen=True, slots=True)
class Columns:
    """Columns to read: travel in the order of the positions, then the slow ones, with their channels.

    slow_factors: value of the channel for one of the column.
    """

    travel: tuple[str, ...]
    travel_channels: tuple[Channel, ...]
    slow: tuple[str, ...]
    slow_channels: tuple[Channel, ...]
    slow_factors: tuple[float, ...]
    ignored: tuple[str, ...]

    @property
    def values(self) -> tuple[str, ...]:
        """Return all columns but the instant."""
        return self.travel + self.slow


def pick_columns(table: Table, positions: Sequence[str], body_positions: Sequence[str]) -> Columns:
    """Return the columns of a recording that the positions need.

    Args:
        table: the open file.
        positions: those with a travel column of their own, in the order wanted.
        body_positions: those whose body temperature and reservoir pressure are taken where the file has them.
    Raises:
        RecordingError: t_s or a travel column missing, a name twice, a column without numbers.
    """
    check_instant(table)
    travel = tuple(f"{position}{TRAVEL_END}" for position in positions)
    _check_travel(table, positions, travel)
    slow = [(name, channel, factor) for name, channel, factor in _slow(body_positions) if name in table.columns]
    _check_pressures(table, [(name, channel.name) for name, channel, _ in slow if channel.unit == "pa"])
    wanted = (INSTANT, *travel, *(name for name, _, _ in slow))
    for name in wanted:
        if problem := table.problem_of(name):
            raise RecordingError(f"{table.path}: column {name} {problem}; write it as plain numbers")
    return Columns(
        travel=travel,
        travel_channels=tuple(Channel(position, TRAVEL, "mm") for position in positions),
        slow=tuple(name for name, _, _ in slow),
        slow_channels=tuple(channel for _, channel, _ in slow),
        slow_factors=tuple(factor for _, _, factor in slow),
        ignored=tuple(name for name in table.columns if name not in wanted),
    )


def _slow(positions: Sequence[str]) -> Iterator[tuple[str, Channel, float]]:
    """Yield every slow column there may be, with its channel and factor."""
    for position in positions:
        yield f"{position}{BODY_END}", Channel(position, BODY_TEMPERATURE, "c"), 1.0
    for position in positions:
        for end, factor_pa in PRESSURE_ENDS_PA.items():
            yield f"{position}{end}", Channel(position, RESERVOIR_PRESSURE, "pa"), factor_pa
    for name, quantity, unit in _VEHICLE:
        yield name, Channel("", quantity, unit), 1.0


def _check_pressures(table: Table, columns: Sequence[tuple[str, str]]) -> None:
    first: dict[str, str] = {}
    for name, position in columns:
        if position in first:
            raise RecordingError(
                f"{table.path}: columns {first[position]} and {name} both tell the pressure of {position}; remove one"
            )
        first[position] = name


def check_instant(table: Table) -> None:
    """Raise RecordingError unless names are unique and t_s is there as numbers."""
    doubled = sorted({name for name in table.columns if table.columns.count(name) > 1})
    if doubled:
        raise RecordingError(f"{table.path}: column {doubled[0]} is there twice; rename or remove one")
    if INSTANT not in table.columns:
        raise RecordingError(
            f"{table.path}: no column {INSTANT} (seconds); {tell_nearest(INSTANT, table.columns)}"
            f"its columns are {list_names(table.columns)}"
        )
    if problem := table.problem_of(INSTANT):
        raise RecordingError(f"{table.path}: column {INSTANT} {problem}; write seconds as plain numbers")


def _check_travel(table: Table, positions: Sequence[str], travel: Sequence[str]) -> None:
    missing = [(p, name) for p, name in zip(positions, travel, strict=True) if name not in table.columns]
    if not missing:
        return
    there = [name for name in table.columns if name.endswith(TRAVEL_END) and name not in travel]
    position, name = missing[0]
    others = f" (nor for {', '.join(p for p, _ in missing[1:])})" if len(missing) > 1 else ""
    near = tell_nearest(name, there or [c for c in table.columns if c != INSTANT])
    raise RecordingError(
        f"{table.path}: no column {name} for position {position}{others}; {near}"
        f"travel columns there: {list_names([c for c in table.columns if c.endswith(TRAVEL_END)])}; "
        "rename the column or the position, or name it under [import.columns]"
    )


def tell_nearest(name: str, names: Sequence[str]) -> str:
    """Return `the nearest is x; ` where one of the names is near, else nothing."""
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    return f"the nearest is {close[0]}; " if close else ""


def list_names(names: Sequence[str]) -> str:
    """Return names for a message, a dozen at most."""
    shown = ", ".join(n[:40] for n in names[:12]) or "none"
    return f"{shown} and {len(names) - 12} more" if len(names) > 12 else shown
