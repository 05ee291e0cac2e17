"""MDF4: the same recording gives the same samples, and no file of any kind gives a traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from asammdf import MDF, Signal

from acquire.mdf_files import write_case, write_mdf
from acquire.tables import CORNERS, Played, make_simple, play, read_case, write_parquet
from dutylog.acquire.mdf_table import CHUNK_ROWS
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.acquire.recording_probe import probe
from dutylog.config.columns import ColumnSource
from dutylog.errors import RecordingError


def assert_same(first: Played, second: Played) -> None:
    """Same streams, blocks and instants, sample for sample."""
    assert first.source.streams == second.source.streams
    for stream in first.source.streams:
        assert np.array_equal(first.indices(stream.stream_id), second.indices(stream.stream_id))
        assert np.array_equal(first.times_ns(stream.stream_id), second.times_ns(stream.stream_id))
        assert np.array_equal(first.data(stream.stream_id), second.data(stream.stream_id), equal_nan=True)
    assert [e.data for e in first.events] == [e.data for e in second.events]


def first_rows(case: str, rows: int) -> dict[str, np.ndarray]:
    return {name: values[:rows] for name, values in read_case(case).items()}


@pytest.mark.parametrize("compression", [0, 2], ids=["plain", "zipped"])
@pytest.mark.parametrize("case", ["B_washboard", "G_clock"])
def test_a_case_gives_the_samples_of_its_parquet(case, compression, tmp_path):
    """Six groups of three rates, laid side by side again; more rows than one chunk."""
    columns = first_rows(case, CHUNK_ROWS + 5_000) if case == "G_clock" else first_rows(case, 20_000)
    parquet = write_parquet(tmp_path / "a.parquet", columns)
    mdf = write_case(tmp_path / "a.mf4", columns, compression=compression)
    assert_same(play(mdf, CORNERS, block_rows=None), play(parquet, CORNERS, block_rows=None))


@pytest.mark.parametrize("version", ["4.00", "4.11", "4.20"])
def test_versions_of_mdf_4(version, tmp_path):
    columns = make_simple(3_000)
    mdf = write_case(tmp_path / "a.mf4", columns, version=version)
    assert_same(play(mdf), play(write_parquet(tmp_path / "a.parquet", columns)))
    assert probe(mdf).format == "MDF4"


def test_found_by_content_not_by_name(tmp_path):
    mdf = write_case(tmp_path / "recording.parquet", make_simple(3_000))
    assert play(mdf).source.text.startswith(f"{mdf} (MDF4, 3000 rows, 1000 Hz)")


def test_travel_in_groups_of_their_own(tmp_path):
    """Some loggers give each channel a group; instants that agree fall on the same rows."""
    k = np.arange(70_000)
    left, right = k * 0.01, 700.0 - k * 0.01
    mdf = write_mdf(tmp_path / "a.mf4", [("a_travel_mm", k * 1e-3, left)], [("b_travel_mm", k * 1e-3 + 2e-4, right)])
    assert np.array_equal(play(mdf, ("a", "b"), block_rows=None).data(), np.stack([left, right], axis=1))


def test_slow_samples_go_to_the_nearest_row(tmp_path):
    """10 Hz against 1 kHz, 0.4 ms behind the rows and across the border of two chunks."""
    k = np.arange(CHUNK_ROWS + 500)
    slow_s = np.arange(0.0004, (len(k) - 1) * 1e-3, 0.1)
    mdf = write_mdf(
        tmp_path / "a.mf4", [("a_travel_mm", k * 1e-3, k * 1e-3)], [("a_body_c", slow_s, np.arange(len(slow_s)))]
    )
    played = play(mdf, block_rows=None)
    assert np.array_equal(played.data(2)[:, 0], np.arange(len(slow_s)))
    assert np.array_equal(played.times_ns(2), np.arange(len(slow_s)) * 100_000_000)


def test_slow_samples_without_travel_are_left_out(tmp_path):
    """A logger that ran on after the travel group: there is no row for them to stand in."""
    k = np.arange(2_000)
    slow_s = np.arange(-10.0, 20.0, 0.1) + 0.05
    mdf = write_mdf(tmp_path / "a.mf4", [("a_travel_mm", k * 1e-3, k * 1e-3)], [("a_body_c", slow_s, slow_s)])
    assert play(mdf).data(2)[:, 0] == pytest.approx(np.arange(20) * 0.1 + 0.05, abs=1e-12)


def test_empty_slow_group_is_no_harm(tmp_path):
    """A sensor that was never plugged in."""
    k = np.arange(2_000)
    mdf = write_mdf(tmp_path / "a.mf4", [("a_travel_mm", k * 1e-3, k * 1.0)], [("a_body_c", np.zeros(0), np.zeros(0))])
    assert np.array_equal(play(mdf).data()[:, 0], k)


def test_own_conversion_and_invalid_bits_are_applied(tmp_path):
    """Raw counts with the file's own linear conversion; samples it marks invalid are none."""
    k = np.arange(2_000)
    invalid = np.zeros(2_000, dtype=bool)
    invalid[700:705] = True
    mdf = MDF(version="4.10")
    signal = Signal(
        k.astype("<u2"), k * 1e-3, name="a_travel_mm", conversion={"a": 0.05, "b": -10.0}, invalidation_bits=invalid
    )
    mdf.append([signal])
    path = mdf.save(tmp_path / "a.mf4", overwrite=True)
    mdf.close()
    data = play(path).data()[:, 0]
    assert np.array_equal(np.isnan(data), invalid)
    assert data[~invalid] == pytest.approx((k * 0.05 - 10.0)[~invalid], rel=1e-12)


def test_time_channel_by_its_own_name_and_other_units(tmp_path):
    """Columns and units of a logger that knows nothing of ours."""
    k = np.arange(2_000)
    mdf = write_mdf(
        tmp_path / "a.mf4",
        [("FL pos", k * 1e-3, k * 0.125), ("Logger ms", k * 1e-3, 1000.0 + k)],
        [("Oil", k[::100] * 1e-3, 32.0 + k[::100])],
        master="Time",
    )
    travel = ColumnSource("a_travel_mm", "FL pos", "in")
    body = ColumnSource("a_body_c", "Oil", "F")
    played = play(mdf, sources=(ColumnSource("t_s", "Time"), travel, body))
    assert np.array_equal(played.data()[:, 0], k * 0.125 * 25.4)
    assert played.data(2)[:, 0] == pytest.approx(k[::100] * 5 / 9, abs=1e-12)
    by_logger = play(mdf, sources=(ColumnSource("t_s", "Logger ms", "ms"), travel))
    assert by_logger.times_ns()[0] == 1_000_000_000
    assert np.array_equal(by_logger.data(), played.data())


def test_a_name_in_several_groups_is_told_by_its_group(tmp_path):
    """Two probes called Temp: the right one can be named, and none is taken by chance."""
    k = np.arange(2_000)
    slow_s = k[::100] * 1e-3
    mdf = write_mdf(
        tmp_path / "a.mf4",
        [("a_travel_mm", k * 1e-3, k * 1.0)],
        [("Temp", slow_s, np.full(20, 11.0))],
        [("Temp", slow_s, np.full(20, 22.0))],
    )
    assert play(mdf, sources=(ColumnSource("ambient_c", "Temp@2"),)).data(2)[0, 0] == 22.0
    with pytest.raises(RecordingError, match=r'no column "Temp" for ambient_c .*; the nearest is Temp@'):
        play(mdf, sources=(ColumnSource("ambient_c", "Temp"),))


def _complaint(path: Path) -> str:
    try:
        play(path)
    except RecordingError as err:
        return str(err)
    return ""


def _refusal(path: Path, *positions: str) -> str:
    with pytest.raises(RecordingError) as caught:
        play(path, positions or ("a",))
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)
    return str(caught.value)


def test_travel_at_two_rates_is_refused(tmp_path):
    """Every other row of the slower one would be a hole."""
    fast, slow = np.arange(4_000), np.arange(2_000)
    mdf = write_mdf(tmp_path / "a.mf4", [("a_travel_mm", fast * 1e-3, fast)], [("b_travel_mm", slow * 2e-3, slow)])
    assert "travel at 1000 Hz in group 0 and at 500 Hz in group 1; export all" in _refusal(mdf, "a", "b")


def test_missing_travel_names_the_nearest_channel(tmp_path):
    assert "no column b_travel_mm" in _refusal(write_case(tmp_path / "a.mf4", make_simple(2_000)), "b")


def test_text_channel_is_refused(tmp_path):
    k = np.arange(2_000)
    text = np.array([b"open"] * 2_000)
    mdf = MDF(version="4.10")
    mdf.append([Signal(text, k * 1e-3, name="a_travel_mm", encoding="utf-8")])
    path = mdf.save(tmp_path / "a.mf4", overwrite=True)
    mdf.close()
    assert "column a_travel_mm holds |S4, expected numbers" in _refusal(path)


@pytest.mark.parametrize(
    ("octets", "words"),
    [
        (b"MDF     3.30    " + bytes(200), "is MDF of version '3.30'; export it as MDF 4, Parquet or CSV"),
        (b"UnFinMF 4.10    " + bytes(200), "was never completed"),
        (b"MDF     4.10    " + bytes(200), "MDF4 file damaged at its description"),
        (b"MDF     4.10    ", "MDF4 file damaged at its description"),
        (b"MDF     ", "is MDF of version ''"),
    ],
    ids=["version 3", "unfinished", "no header", "name only", "magic only"],
)
def test_foreign_and_headless_files(octets, words, tmp_path):
    (tmp_path / "a.mf4").write_bytes(octets + b"\x00")
    assert words in _refusal(tmp_path / "a.mf4")


def _whole(tmp_path: Path, compression: int) -> bytes:
    return write_case(tmp_path / "whole.mf4", make_simple(20_000), compression=compression).read_bytes()


@pytest.mark.parametrize("compression", [0, 2], ids=["plain", "zipped"])
def test_a_file_cut_anywhere_is_refused(compression, tmp_path):
    """A copy that stopped half way."""
    octets = _whole(tmp_path, compression)
    path = tmp_path / "cut.mf4"
    for keep in [*range(9, 200, 13), *np.linspace(200, len(octets) - 1, 30).astype(int).tolist()]:
        path.write_bytes(octets[:keep])
        _refusal(path)


@pytest.mark.parametrize("compression", [0, 2], ids=["plain", "zipped"])
def test_garbled_bytes_are_read_or_refused_in_one_line(compression, tmp_path):
    """Wherever the damage lies: samples or one line, never another exception."""
    octets = _whole(tmp_path, compression)
    rng = np.random.default_rng(7)
    path = tmp_path / "garbled.mf4"
    refused = 0
    for trial in range(60):
        changed = bytearray(octets)
        for place in rng.integers(64, len(changed) if trial % 2 else 2_000, 8):
            changed[place] = rng.integers(0, 256)
        path.write_bytes(changed)
        said = _complaint(path)
        assert "\n" not in said
        refused += said != ""
    assert refused > 5


def test_damaged_file_leaves_no_line_but_ours(tmp_path):
    """What the library would say of a half-read file stays off the terminal."""
    octets = _whole(tmp_path, 0)
    (tmp_path / "cut.mf4").write_bytes(octets[: len(octets) // 2])
    truck = Path(__file__).parents[1] / "data" / "cases" / "B_washboard" / "truck.toml"
    done = subprocess.run(
        [sys.executable, "-m", "dutylog.cli.main", "integrate", "--config", truck, tmp_path / "cut.mf4"],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), done.stderr
    assert "MDF4 file damaged" in done.stderr


def test_without_asammdf_says_how_to_get_it(tmp_path, monkeypatch):
    """It is an extra: most vehicles never meet such a file."""
    path = write_case(tmp_path / "a.mf4", make_simple(2_000))
    monkeypatch.setitem(sys.modules, "asammdf", None)
    assert _refusal(path).endswith("is an MDF4 file, for which pip install 'dutylog[mdf]' is needed")


def test_asammdf_stays_behind_until_such_a_file_comes():
    """It brings pandas, 100 MB in memory."""
    code = "import sys, dutylog.acquire.mdf_table, dutylog.acquire.table; print('asammdf' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "False\n"


def test_files_are_closed(tmp_path):
    """Open handles keep a card from being taken out; the test run fails on one that is left."""
    path = write_case(tmp_path / "a.mf4", make_simple(3_000))
    source = RecordingFileSource(path, ("a",))
    source.start(1, {})
    source.read_batch()
    source.close()
    open_now = [p.resolve() for p in Path("/proc/self/fd").iterdir() if p.exists()]
    assert path.resolve() not in open_now
