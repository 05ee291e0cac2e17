"""TripData as one compressed file of numpy arrays with a JSON text beside them, and back; nothing in it is executed."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import asdict
from tokenize import TokenError
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.duty.histograms import POSITION_BINS, SPEED_BINS
from dutylog.duty.strokes import FREQUENCY_EDGES_HZ, LENGTH_BINS
from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.errors import InputError
from dutylog.review.trip_data import COUNTS, SIGNALS, Contact, DamperData, Fault, Segment, TripData

SCHEMA = 1
LARGEST_BYTES = 1_000_000_000
"""Unpacked: a trip of a hundred hours and eight dampers takes a quarter of it."""
_META = "meta"
_PLAIN = ("key", "engine", "start_utc_s", "utc_trusted", "is_raw_whole")
_ROWS = {
    "t_s": "f8",
    "dt_s": "f8",
    "moving": "?",
    "vehicle_mps": "f4",
    "ambient_c": "f4",
    "latitude_deg": "f8",
    "longitude_deg": "f8",
    "distance_m": "f8",
}
_DAMPER_PLAIN = ("position", "wheel", "unit_id", "label", "stroke_m", "bump_stop_m", "strap_m")
_DAMPER_SHAPES: dict[str, tuple[int, ...]] = {
    "energy_by_speed_uj": (SPEED_BINS,),
    "time_by_speed_ns": (SPEED_BINS,),
    "time_by_position_ns": (POSITION_BINS,),
    "strokes_by_length_frequency": (LENGTH_BINS, len(FREQUENCY_EDGES_HZ) + 1),
}


def pack(file: IO[bytes], data: TripData, stamp: dict[str, Any]) -> None:
    """Write a trip's data and the stamp of what it was made from."""
    arrays: dict[str, NDArray[Any]] = {name: getattr(data, name) for name in _ROWS}
    dampers = []
    for number, damper in enumerate(data.dampers):
        for name in (*COUNTS, *SIGNALS, *_DAMPER_SHAPES):
            arrays[f"{number}_{name}"] = getattr(damper, name)
        plain = {name: getattr(damper, name) for name in _DAMPER_PLAIN}
        dampers.append(plain | {"totals": dict(zip(TOTALS_COLUMNS, damper.totals.as_row(), strict=True))})
    meta = {
        "schema": SCHEMA,
        "stamp": stamp,
        **{name: getattr(data, name) for name in _PLAIN},
        "vehicle": data.vehicle.to_dict(),
        "notes": list(data.notes),
        "dampers": dampers,
        "contacts": [list(asdict(one).values()) for one in data.contacts],
        "segments": [list(asdict(one).values()) for one in data.segments],
        "faults": [list(asdict(one).values()) for one in data.faults],
    }
    text = json.dumps(meta, allow_nan=False, separators=(",", ":")).encode()
    np.savez_compressed(file, **{_META: np.frombuffer(text, dtype=np.uint8)}, **arrays)  # type: ignore[arg-type]


def unpack(file: IO[bytes]) -> tuple[TripData, dict[str, Any]]:
    """Return what `pack` wrote.

    Raises:
        InputError: it is of another schema, too large, or its columns don't fit each other.
        OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile, zlib.error, EOFError: it is no such file.
    """
    with zipfile.ZipFile(file) as archive:
        if sum(info.file_size for info in archive.infolist()) > LARGEST_BYTES:
            raise InputError("a review's data that large isn't ours")
        # Each member as a whole: then its sum is checked before anything of it is believed.
        arrays = {name.removesuffix(".npy"): _read_array(archive.read(name)) for name in archive.namelist()}
    meta = json.loads(arrays[_META].tobytes())
    if meta["schema"] != SCHEMA:
        raise InputError(f"a review's data of schema {meta['schema']!r:.20}, this version reads {SCHEMA}")
    n = len(arrays["t_s"])
    rows: dict[str, Any] = {name: _take(arrays, name, kind, (n,)) for name, kind in _ROWS.items()}
    dampers = tuple(_unpack_damper(arrays, number, one, n) for number, one in enumerate(meta["dampers"]))
    data = TripData(
        **{name: meta[name] for name in _PLAIN},
        vehicle=Vehicle.from_dict(meta["vehicle"]),
        **rows,
        dampers=dampers,
        contacts=tuple(Contact(*one) for one in meta["contacts"]),
        segments=tuple(Segment(*one) for one in meta["segments"]),
        faults=tuple(Fault(*one) for one in meta["faults"]),
        notes=tuple(str(one) for one in meta["notes"]),
    )
    return data, meta["stamp"]


def _unpack_damper(arrays: Mapping[str, NDArray[Any]], number: int, plain: dict[str, Any], n: int) -> DamperData:
    kinds: dict[str, tuple[str, tuple[int, ...]]] = dict.fromkeys(COUNTS, ("i8", (n,)))
    kinds |= dict.fromkeys(SIGNALS, ("f4", (n,)))
    kinds |= {name: ("i8", shape) for name, shape in _DAMPER_SHAPES.items()}
    columns: dict[str, Any] = {name: _take(arrays, f"{number}_{name}", *kind) for name, kind in kinds.items()}
    totals = Totals(**{name: plain["totals"][name] for name in TOTALS_COLUMNS})
    return DamperData(**{name: plain[name] for name in _DAMPER_PLAIN}, totals=totals, **columns)


def _read_array(octets: bytes) -> NDArray[Any]:
    try:
        found: NDArray[Any] = np.lib.format.read_array(io.BytesIO(octets), allow_pickle=False)
    except (SyntaxError, TokenError, RecursionError, MemoryError) as err:
        raise InputError("a column of a review's data begins with nonsense") from err
    return found


def _take(arrays: Mapping[str, NDArray[Any]], name: str, kind: str, shape: tuple[int, ...]) -> NDArray[Any]:
    """Return an array if it is what it should be."""
    array = arrays[name]
    if array.dtype != np.dtype(kind) or array.shape != shape:
        raise InputError(f"column {name} of a review's data is {array.dtype} {array.shape}")
    return array
