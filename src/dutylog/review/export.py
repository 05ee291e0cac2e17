"""A trip as files for other programs: a table with a row a second, the track, the review as JSON."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np

from dutylog.engine.table_file import CSV_END, PARQUET_END, TableFile
from dutylog.errors import DutylogError
from dutylog.review.gpx import find_places, has_times, make_gpx
from dutylog.review.trip_data import DamperData, Floats, TripData

GPX_END, JSON_END = ".gpx", ".json"
EXPORT_ENDS = (PARQUET_END, CSV_END, GPX_END, JSON_END)
_THERE = "{path}: exists already and isn't overwritten; name another file or remove it"
_REAL, _COUNT, _FLAG, _TEXT = "float64", "int64", "int8", "string"
ROW_COLUMNS = {
    "t_s": _REAL,
    "dt_s": _REAL,
    "utc_s": _REAL,
    "moving": _FLAG,
    "road": _TEXT,
    "vehicle_mps": _REAL,
    "distance_m": _REAL,
    "latitude_deg": _REAL,
    "longitude_deg": _REAL,
    "ambient_c": _REAL,
}
"""Columns of the vehicle and their types (shared/REVIEW.md)."""
# Field of DamperData and what of it makes one of the column's unit.
_ADDED = {
    "energy_compression_j": ("energy_compression_uj", 1_000_000, _REAL),
    "energy_rebound_j": ("energy_rebound_uj", 1_000_000, _REAL),
    "shaft_travel_m": ("shaft_travel_um", 1_000_000, _REAL),
    "measured_s": ("measured_us", 1_000_000, _REAL),
    "strokes_count": ("strokes_count", 1, _COUNT),
    "bottom_outs_count": ("bottom_outs_count", 1, _COUNT),
}
_READ = ("body_c", "rms_mps", "travel_mean_m", "travel_min_m", "travel_max_m", "gas_pa")
DAMPER_COLUMNS = {
    "unit_id": _TEXT,
    **{name: kind for name, (_, _, kind) in _ADDED.items()},
    **dict.fromkeys(_READ, _REAL),
}
"""Columns of each damper's place, named `<position>_<column>`, and their types (shared/REVIEW.md)."""


def export_trip(data: TripData, name: str | None, review_json: str, path: Path) -> str:
    """Write one file and return a line that says what is in it.

    Args:
        data: of the trip.
        name: what people call it.
        review_json: text of review.json.
        path: ends in one of EXPORT_ENDS; must not exist.
    Raises:
        DutylogError: another ending, the file exists or can't be written, no pyarrow for a table.
        InputError: a track of a trip without places.
    """
    end = check_new_file(path, EXPORT_ENDS)
    if end == GPX_END:
        write_new_file(path, make_gpx(data, name).encode())
        times = "with times" if has_times(data) else "without times, nobody vouched for the clock"
        return f"{path}: track of trip {data.key}, {int(find_places(data).sum())} points {times}"
    if end == JSON_END:
        write_new_file(path, review_json.encode())
        return f"{path}: review of trip {data.key}, {len(review_json.encode())} bytes"
    rows, columns = _write_table(data, path)
    return f"{path}: trip {data.key}, {rows} rows of a second, {columns} columns"


def table_columns(data: TripData) -> dict[str, str]:
    """Return the columns of a trip's table in order, by name, with their types."""
    places = [f"{position}_{name}" for position in _positions(data) for name in DAMPER_COLUMNS]
    return {**ROW_COLUMNS, **dict(zip(places, [*DAMPER_COLUMNS.values()] * len(_positions(data)), strict=True))}


def table_values(data: TripData) -> dict[str, Any]:
    """Return the values of those columns: arrays (n,), or lists of text with None where there is none."""
    # As in the track: a time nobody vouched for isn't written.
    start_s = data.start_utc_s if data.start_utc_s is not None and data.utc_trusted else np.nan
    values: dict[str, Any] = {
        "t_s": data.t_s,
        "dt_s": data.dt_s,
        "utc_s": data.t_s + start_s,
        "moving": data.moving.astype(np.int8),
        "road": _roads(data),
        **{name: np.asarray(getattr(data, name), dtype=np.float64) for name in list(ROW_COLUMNS)[5:]},
    }
    for position in _positions(data):
        ones = [damper for damper in data.dampers if damper.position == position]
        values |= {f"{position}_{name}": column for name, column in _damper_values(ones).items()}
    return values


def check_new_file(path: Path, ends: tuple[str, ...]) -> str:
    """Return a path's ending.

    Raises:
        DutylogError: it is none of `ends`, something is there already, or its folder isn't there.
    """
    end = path.suffix.lower()
    if end not in ends:
        raise DutylogError(
            f"{path}: ends in {path.suffix or 'nothing'!r}; name it {', '.join(ends[:-1])} or {ends[-1]}"
        )
    try:
        is_there = path.exists() or path.is_symlink()
        # Asked for now and not when the file is written: a long trip takes its time.
        path.absolute().parent.stat()
    except OSError as err:
        raise DutylogError(f"{path}: can't be written: {err.strerror or err}") from err
    if is_there:
        raise DutylogError(_THERE.format(path=path))
    return end


def write_new_file(path: Path, content: bytes) -> None:
    """Write a file that appears when it is whole and is never written over another.

    Raises:
        DutylogError: it exists or can't be written.
    """
    with _part_of(path) as part:
        with part.open("xb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        _give_name(part, path)


def _give_name(part: Path, path: Path) -> None:
    """Give a whole file its name; unlike renaming, that is refused where somebody made a file of it in between."""
    try:
        os.link(part, path)
    except FileExistsError as err:
        raise DutylogError(_THERE.format(path=path)) from err
    except OSError:
        _copy_new(part, path)


def _copy_new(part: Path, path: Path) -> None:
    """Copy a file where no links can be made, such as on a memory stick; nothing is left where that fails."""
    try:
        out = path.open("xb")
    except FileExistsError as err:
        raise DutylogError(_THERE.format(path=path)) from err
    try:
        with out, part.open("rb") as whole:
            shutil.copyfileobj(whole, out)
            out.flush()
            os.fsync(out.fileno())
    except OSError:
        path.unlink(missing_ok=True)
        raise


@contextmanager
def _part_of(path: Path) -> Iterator[Path]:
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield part
    except OSError as err:
        raise DutylogError(f"{path}: can't be written: {err.strerror or err}") from err
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _write_table(data: TripData, path: Path) -> tuple[int, int]:
    columns = table_columns(data)
    with _part_of(path) as part:
        # Its ending tells the kind of table.
        whole = part.with_name(part.name + path.suffix)
        try:
            table = TableFile(whole, columns)
            try:
                table.write(table_values(data))
                table.finish()
            finally:
                table.discard()
            _give_name(whole, path)
        except DutylogError as err:
            raise DutylogError(str(err).replace(str(whole), str(path))) from err
        finally:
            whole.unlink(missing_ok=True)
    return table.row_count, len(columns)


def _positions(data: TripData) -> list[str]:
    return list(dict.fromkeys(damper.position for damper in data.dampers))


def _roads(data: TripData) -> list[str | None]:
    """Return the kind of road of each row, None where no segment holds its begin."""
    roads: list[str | None] = [None] * len(data.t_s)
    for one in data.segments:
        for row in range(*np.searchsorted(data.t_s, (one.start_s, one.end_s))):
            roads[row] = one.kind
    return roads


def _damper_values(ones: list[DamperData]) -> Mapping[str, Any]:
    """Return the columns of one place; dampers that sat there one after the other share them, each has its rows."""
    values: dict[str, Any] = {"unit_id": _unit_ids(ones)}
    for name, (field, divisor, kind) in _ADDED.items():
        whole = np.sum([getattr(one, field) for one in ones], axis=0)
        values[name] = whole if kind == _COUNT else whole / divisor
    for name in _READ:
        values[name] = _first_known([np.asarray(getattr(one, name), dtype=np.float64) for one in ones])
    return values


def _unit_ids(ones: list[DamperData]) -> list[str]:
    """Return whose rows they are: each damper's from its first measured row on, the first one's from the begin."""
    starts = [
        int(np.argmax(one.measured_us > 0)) if (one.measured_us > 0).any() else len(one.measured_us) for one in ones
    ]
    ordered = sorted(zip(starts, range(len(ones)), strict=True))
    ids = [ones[ordered[0][1]].unit_id] * len(ones[0].measured_us) if ones else []
    for start, which in ordered[1:]:
        ids[start:] = [ones[which].unit_id] * (len(ids) - start)
    return ids


def _first_known(columns: list[Floats]) -> Floats:
    found = columns[0]
    for column in columns[1:]:
        found = np.where(np.isfinite(found), found, column)
    return found
