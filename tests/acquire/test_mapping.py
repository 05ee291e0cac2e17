"""Columns under other names and in other units: same samples as the file in ours."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.tables import make_simple, play, write_csv, write_parquet
from dutylog.acquire.recording_probe import probe
from dutylog.config.columns import ColumnSource
from dutylog.errors import RecordingError


def foreign(rows: int = 3_000) -> dict[str, np.ndarray]:
    """The columns of make_simple as another logger has them, and two more."""
    ours = make_simple(rows)
    k = np.arange(rows)
    return {
        "Time": k * 1.0,
        "FL pos": ours["a_travel_mm"] / 10.0,
        "FL body": np.where(np.isnan(ours["a_body_c"]), np.nan, ours["a_body_c"] + 273.15),
        "v": np.where(k % 50 == 0, 36.0, np.nan),
        "a_travel_mm": np.full(rows, 5_000.0),
        "more": k * 1.0,
    }


MAP = (
    ColumnSource("t_s", "Time", "ms"),
    ColumnSource("a_travel_mm", "FL pos", "cm"),
    ColumnSource("a_body_c", "FL body", "K"),
    ColumnSource("speed_mps", "v", "km/h"),
)


@pytest.mark.parametrize("write", [write_parquet, write_csv], ids=["parquet", "csv"])
def test_converted_file_gives_our_samples(write, tmp_path):
    """Time to the last bit, travel and temperature within rounding of 64 bits."""
    name = "a.parquet" if write is write_parquet else "a.csv"
    played = play(write(tmp_path / name, foreign()), sources=MAP)
    plain = play(write_parquet(tmp_path / "b.parquet", make_simple(3_000)))
    assert np.array_equal(played.times_ns(), plain.times_ns())
    assert played.data() == pytest.approx(plain.data(), rel=1e-15)
    body = next(s for s in played.source.streams if s.channels[0].quantity == "body_temperature")
    assert played.data(body.stream_id) == pytest.approx(plain.data(2), abs=1e-9)
    speed = next(s for s in played.source.streams if s.channels[0].quantity == "speed")
    assert set(played.data(speed.stream_id)[:, 0]) == {10.0}


def test_volts(tmp_path):
    """Scale and offset turn what is recorded into the unit named."""
    columns = {**make_simple(2_000), "volt": 0.5 + np.arange(2_000) * 1e-3}
    source = ColumnSource("a_travel_mm", "volt", "in", 2.0, -1.0)
    played = play(write_parquet(tmp_path / "a.parquet", columns), sources=(source,))
    assert played.data()[:, 0] == pytest.approx(np.arange(2_000) * 2e-3 * 25.4, abs=1e-12)


def test_what_stands_under_our_name_is_not_read_beside_what_was_named(tmp_path):
    """The file's own a_travel_mm is another thing; the note says so."""
    played = play(write_parquet(tmp_path / "a.parquet", foreign()), sources=MAP)
    assert 5_000.0 not in played.data()
    notes = " | ".join(played.source.notes)
    assert "column a_travel_mm of the file isn't used, a_travel_mm is read from FL pos" in notes
    assert "columns not used: more" in notes


def test_names_that_change_places(tmp_path):
    """Two plugs swapped at the logger."""
    k = np.arange(2_000)
    columns = {"t_s": k * 1e-3, "a_travel_mm": k * 1.0, "b_travel_mm": -k * 1.0}
    swap = (ColumnSource("a_travel_mm", "b_travel_mm"), ColumnSource("b_travel_mm", "a_travel_mm"))
    data = play(write_parquet(tmp_path / "a.parquet", columns), ("a", "b"), sources=swap).data()
    assert np.array_equal(data, np.stack([-k, k], axis=1))


def test_32_bit_travel_stays_32_bit_unless_converted(tmp_path):
    """A conversion needs more digits than the source had."""
    columns = make_simple(2_000)
    columns["x"] = (columns.pop("a_travel_mm") / 50).astype(np.float32)
    path = write_parquet(tmp_path / "a.parquet", columns)
    assert play(path, sources=(ColumnSource("a_travel_mm", "x"),)).data().dtype == np.float32
    converted = play(path, sources=(ColumnSource("a_travel_mm", "x", "in"),)).data()
    assert converted.dtype == np.float64
    assert np.array_equal(converted[:, 0], columns["x"].astype(np.float64) * 25.4)


def test_missing_column_names_the_nearest(tmp_path):
    """One line: what was asked for, what is there."""
    path = write_parquet(tmp_path / "a.parquet", foreign())
    with pytest.raises(RecordingError) as caught:
        play(path, sources=(ColumnSource("t_s", "Time", "ms"), ColumnSource("a_travel_mm", "FL pso")))
    assert str(caught.value) == (
        f'{path}: no column "FL pso" for a_travel_mm ([import.columns]); the nearest is FL pos; '
        "its columns are Time, FL pos, FL body, v, a_travel_mm, more"
    )


def test_column_that_is_there_twice(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("t_s,x,x\n" + "".join(f"{k / 1000},{k},{k}\n" for k in range(200)))
    with pytest.raises(RecordingError, match=r'column "x" for a_travel_mm .* is there 2 times; rename the others'):
        play(path, sources=(ColumnSource("a_travel_mm", "x"),))


def test_text_column_is_named_as_the_file_has_it(tmp_path):
    columns = {**make_simple(2_000), "x": ["y"] * 2_000}
    with pytest.raises(RecordingError, match=r'column a_travel_mm \("x" in the file\) holds string, expected numbers'):
        play(write_parquet(tmp_path / "a.parquet", columns), sources=(ColumnSource("a_travel_mm", "x"),))


def test_cell_that_is_no_number_is_named_as_the_file_has_it(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Time,x\n" + "".join(f"{k},{'?' if k == 99 else k}\n" for k in range(200)))
    with pytest.raises(RecordingError, match=r"row 100 \(line 101\), column x: '\?' is no number"):
        play(path, sources=(ColumnSource("t_s", "Time", "ms"), ColumnSource("a_travel_mm", "x")))


def test_wrong_unit_of_time_points_at_the_table(tmp_path):
    """Milliseconds taken for seconds: the line says where to say so."""
    path = write_parquet(tmp_path / "a.parquet", foreign())
    with pytest.raises(RecordingError, match=r"if it is in milliseconds, write seconds or say so under \[import"):
        play(path, sources=(ColumnSource("t_s", "Time"), *MAP[1:]))
    assert probe(path, MAP).rate_hz == pytest.approx(1000.0)
