"""Random small recordings with gaps, swaps, doubles and NaN; random bytes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.tables import Played, play, write_csv, write_parquet
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.errors import RecordingError

SMALL = settings(max_examples=60, deadline=None)


def _refusal(path: Path) -> str | None:
    """Play a file; return the line that refuses it, checked to be one line, or None."""
    try:
        play(path)
    except RecordingError as err:
        text = str(err)
    else:
        return None
    assert "\n" not in text
    return text


@st.composite
def recordings(draw: st.DrawFn) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return columns of a damaged recording and the rows (indices) that are truly in it."""
    rows = draw(st.integers(200, 1_500))
    period_s = draw(st.sampled_from([1e-3, 2e-3, 1 / 800, 1 / 997.3]))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    there = np.ones(rows, dtype=bool)
    for _ in range(draw(st.integers(0, 4))):
        start = int(rng.integers(1, rows - 1))
        there[start : start + int(rng.integers(1, 60))] = False
    there[:20] = True
    k = np.flatnonzero(there)
    order = k.copy()
    for _ in range(draw(st.integers(0, 5))):
        i = int(rng.integers(0, len(order) - 1))
        order[[i, i + 1]] = order[[i + 1, i]]
    for _ in range(draw(st.integers(0, 5))):
        i = int(rng.integers(0, len(order)))
        order = np.insert(order, i, order[i])
    travel = order.astype(float)
    travel[order % 7 == draw(st.integers(0, 7))] = np.nan
    body = np.where(order % 50 == 0, order.astype(float), np.nan)
    start_s = draw(st.sampled_from([0.0, -3.0, 1234.5]))
    return {"t_s": start_s + order * period_s, "a_travel_mm": travel, "a_body_c": body}, k


@SMALL
@given(recordings(), st.sampled_from([1, 7, 100, None]), st.booleans())
def test_every_row_that_is_there_comes_out_once_in_its_place(
    recording: tuple[dict[str, np.ndarray], np.ndarray], block_rows: int | None, as_csv: bool
) -> None:
    """Whatever was swapped, doubled or lost: index k holds the value of row k, and nothing else does."""
    columns, k = recording
    with tempfile.TemporaryDirectory() as folder:
        path = (write_csv if as_csv else write_parquet)(Path(folder) / "x", columns)
        played = play(path, block_rows=block_rows)
    assert np.array_equal(played.indices(), k)
    values = played.data()[:, 0]
    assert np.array_equal(values[np.isfinite(values)], k[np.isfinite(values)])
    missing = np.isnan(columns["a_travel_mm"])
    assert np.count_nonzero(np.isnan(values)) == len(np.unique(columns["t_s"][missing]))
    if np.any(k % 50 == 0):
        body = played.data(2)[:, 0]
        assert np.array_equal(body, k[k % 50 == 0])
    disturbed = np.count_nonzero(np.diff(columns["t_s"]) <= 0)
    assert bool(disturbed) == bool(played.events_of("time_order"))
    assert [event.kind for event in played.events].count("end") == 1


@SMALL
@given(recordings(), st.integers(0, 1_500), st.integers(0, 30))
def test_resume_anywhere_completes_the_streams(
    recording: tuple[dict[str, np.ndarray], np.ndarray], travel_next: int, slow_next: int
) -> None:
    """First part plus resumed part is the whole, for any pair of stops."""
    columns, _ = recording
    with tempfile.TemporaryDirectory() as folder:
        path = write_parquet(Path(folder) / "x", columns)
        whole = play(path)
        rest = Played(RecordingFileSource(path, ("a",), block_rows=13), {1: travel_next, 2: slow_next})
    for stream_id, stop in ((1, travel_next), (2, slow_next)):
        indices = whole.indices(stream_id)
        assert np.array_equal(rest.indices(stream_id), indices[indices >= stop])


@SMALL
@given(
    st.sampled_from([b"", b"PAR1", b"t_s,a_travel_mm\n", b"t_s,a_travel_mm\n0,1\n0.001,2\n"]), st.binary(max_size=400)
)
def test_random_bytes_are_refused_in_one_line(head: bytes, tail: bytes) -> None:
    """A foreign file never ends in anything but a line for people (or, rarely, a good recording)."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x"
        path.write_bytes(head + tail)
        text = _refusal(path)
        assert text is None or text.startswith(f"{path}: ")


@SMALL
@given(st.integers(0, 2**32 - 1), st.integers(1, 40))
def test_parquet_with_random_damage_never_ends_in_a_traceback(seed: int, bytes_count: int) -> None:
    """Bit rot anywhere in a Parquet file: read as it stands, or refused in one line."""
    rng = np.random.default_rng(seed)
    k = np.arange(300)
    with tempfile.TemporaryDirectory() as folder:
        path = write_parquet(Path(folder) / "x", {"t_s": k * 1e-3, "a_travel_mm": k.astype(np.float32)})
        content = bytearray(path.read_bytes())
        for place in rng.integers(0, len(content), bytes_count).tolist():
            content[place] = int(rng.integers(0, 256))
        path.write_bytes(content)
        text = _refusal(path)
        assert text is None or text.startswith(f"{path}: ")
