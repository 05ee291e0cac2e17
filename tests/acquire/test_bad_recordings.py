"""Files that can't be used: one helpful line each, with file, place, value seen and remedy."""

from __future__ import annotations

import gzip
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from acquire.tables import CASES, CORNERS, Played, make_simple, write_csv, write_parquet
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.acquire.recording_probe import probe
from dutylog.errors import RecordingError

GOOD = CASES / "A_sine" / "recording.parquet"


def _changed(**changes: object) -> Callable[[Path], Path]:
    """Return a writer of a simple recording with columns replaced; None removes one."""

    def write(path: Path) -> Path:
        columns = make_simple(2_000)
        for name, values in changes.items():
            if values is None:
                del columns[name]
            else:
                columns[name] = values(columns) if callable(values) else values
        return write_parquet(path, columns)

    return write


def _bytes(content: bytes) -> Callable[[Path], Path]:
    def write(path: Path) -> Path:
        path.write_bytes(content)
        return path

    return write


def _folder(path: Path) -> Path:
    path.mkdir()
    return path


def _with(values: np.ndarray, row: int, value: float) -> np.ndarray:
    values = values.copy()
    values[row] = value
    return values


def _csv(header: str, *rows: str) -> Callable[[Path], Path]:
    return _bytes("\n".join((header, *rows, "")).encode())


_ROWS = [f"{k / 1000},{k}" for k in range(2_000)]
_HEADER = "t_s,a_travel_mm"

BAD: dict[str, tuple[Callable[[Path], Path], str]] = {
    "missing": (lambda path: path, r"can't be opened \(No such file or directory\)"),
    "folder": (_folder, r"is a folder; give a Parquet, CSV or MDF4 file"),
    "zero bytes": (_bytes(b""), r"holds 0 bytes"),
    "truncated parquet": (_bytes(GOOD.read_bytes()[:200_000]), r"without its end \(200000 bytes\).*copy it again"),
    "parquet magic only": (_bytes(b"PAR1"), r"without its end \(4 bytes\)"),
    "garbled footer": (_bytes(b"PAR1" + b"\x99" * 400 + b"\x50\x00\x00\x00PAR1"), r"damaged at its footer"),
    "picture": (
        _bytes(b"\x89PNG\r\n\x1a\n" + bytes(100)),
        r"neither Parquet nor CSV nor MDF4 \(begins with bytes 89 50 4e 47",
    ),
    "gzip": (_bytes(gzip.compress(b"t_s,a_travel_mm\n")), r"compressed with gzip; unpack"),
    "spreadsheet": (_bytes(b"PK\x03\x04" + bytes(50)), r"a spreadsheet; export the sheet as CSV"),
    "raw log": (_bytes(b"DUTY" + bytes(68)), r"one segment of a raw log; give the folder"),
    "utf-16": (_bytes("t_s,a_travel_mm\n0,1\n".encode("utf-16")), r"text in UTF-16; save it as CSV in UTF-8"),
    "prose": (_csv("Dear reader,", "here is my recording."), r"no column t_s \(seconds\).*its columns are Dear reader"),
    "no t_s": (_changed(t_s=None), r"no column t_s \(seconds\); its columns are a_travel_mm, a_body_c"),
    "t_s misspelt": (_csv("T_s,a_travel_mm", *_ROWS), r"no column t_s \(seconds\); the nearest is T_s"),
    "t_s as text": (_changed(t_s=["x"] * 2_000), r"column t_s holds string, expected numbers; write seconds as plain"),
    "t_s as dates": (
        _changed(t_s=np.arange(2_000).astype("datetime64[ms]")),
        r"column t_s holds timestamp\[ms\], expected numbers; write seconds",
    ),
    "no travel": (
        _changed(a_travel_mm=None, aa_travel_mm=np.zeros(2_000)),
        r"no column a_travel_mm for position a; the nearest is aa_travel_mm; travel columns there: aa_travel_mm;",
    ),
    "travel as text": (_changed(a_travel_mm=["-"] * 2_000), r"column a_travel_mm holds string, expected numbers"),
    "column twice": (_csv("t_s,a_travel_mm,a_travel_mm", "0,1,2", "0.001,1,2"), r"column a_travel_mm is there twice"),
    "semicolons": (_csv("t_s;a_travel_mm", "0,5;1,5"), r"separated by semicolons; export it with commas"),
    "tabs": (_csv("t_s\ta_travel_mm", "0\t1"), r"separated by tabs"),
    "quoted decimal comma": (
        _csv(_HEADER, "0,1", '0.001,"1,5"'),
        r"row 2 \(line 3\), column a_travel_mm: '1,5'; decimals need a point",
    ),
    "bare decimal comma": (_csv(_HEADER, "0,1", "0,001,1,5"), r"row 2 \(line 3\) has 4 cells, the header 2"),
    "word": (
        _csv(_HEADER, *_ROWS[:1_233], "1.233,broken", *_ROWS[1_234:]),
        r"row 1234 \(line 1235\), column a_travel_mm: 'broken' is no number",
    ),
    "units row": (_csv(_HEADER, "s,mm", *_ROWS), r"row 1 \(line 2\), column t_s: 's' is no number"),
    "old line ends": (_bytes(b"t_s,a_travel_mm\r0,1\r0.001,2\r"), r"bare carriage return"),
    "header only": (_csv(_HEADER), r"holds no rows, only column names"),
    "no rows": (_changed(**{n: np.zeros(0) for n in ("t_s", "a_travel_mm", "a_body_c")}), r"holds no rows"),
    "one row": (_csv(_HEADER, "0.5,1"), r"holds one row only \(t_s 0.5\)"),
    "all travel nan": (_changed(a_travel_mm=np.full(2_000, np.nan)), r"no travel at all, a_travel_mm hold no number"),
    "t_s nan": (_changed(t_s=lambda c: _with(c["t_s"], 77, np.nan)), r"row 78, t_s is nan; every row needs"),
    "t_s infinite": (_changed(t_s=lambda c: _with(c["t_s"], 5, np.inf)), r"row 6, t_s is inf"),
    "t_s all nan": (_changed(t_s=np.full(2_000, np.nan)), r"t_s has no value from row 1 on"),
    "t_s constant": (_changed(t_s=np.full(2_000, 3.0)), r"t_s is 3 in each of the first 2000 rows"),
    "t_s falling": (_changed(t_s=lambda c: c["t_s"][::-1]), r"t_s falls \(from 1.999 to 0\); sort the rows"),
    "t_s shuffled": (
        _changed(t_s=lambda c: np.random.default_rng(1).permutation(c["t_s"])),
        r"t_s (falls|repeats or falls back)",
    ),
    "t_s in ms": (
        _changed(t_s=lambda c: c["t_s"] * 1e3),
        r"that is 1 Hz; expected 50 to 20000 Hz; if it is in milliseconds",
    ),
    "t_s in unix ns": (_changed(t_s=lambda c: c["t_s"] * 1e9 + 1.7e18), r"t_s is 1.7e\+18; expected seconds"),
    "t_s too coarse": (
        _changed(t_s=lambda c: np.floor(c["t_s"] * 100) / 100),
        r"repeats or falls back 1799 times in 1999 rows",
    ),
    "t_s of arrival": (
        _changed(t_s=lambda c: np.sort(c["t_s"] + _late(2_000))),
        r"without an even spacing.*not of arrival",
    ),
    "t_s of bursts": (
        _changed(t_s=lambda c: np.floor(c["t_s"] * 50) / 50 + c["t_s"] * 1e-3),
        r"stamps of arrival in bursts",
    ),
    "40 Hz": (_changed(t_s=lambda c: c["t_s"] * 25), r"rises by 0.025 a row, that is 40 Hz; expected 50"),
    "25 kHz": (_changed(t_s=lambda c: c["t_s"] / 25), r"that is 25000 Hz; expected 50 to 20000 Hz"),
    "counts": (
        _changed(a_travel_mm=lambda c: c["a_travel_mm"] + 20_000),
        r"beyond 10 m in 100%.*median 2\d{4}.*counts",
    ),
}


def _late(rows: int) -> np.ndarray:
    return np.random.default_rng(2).uniform(0.0, 1.6e-3, rows)


@pytest.mark.parametrize("kind", BAD)
def test_bad_file_is_refused_with_one_helpful_line(kind: str, tmp_path: Path) -> None:
    """Refused when opened, before anything is written; the line names the file."""
    write, expected = BAD[kind]
    path = write(tmp_path / "recording")
    with pytest.raises(RecordingError, match=expected) as caught:
        RecordingFileSource(path, ("a",))
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    assert len(text) < 400


def test_positions_without_travel_are_all_named(tmp_path: Path) -> None:
    """A renamed vehicle shows at once which corners don't match."""
    with pytest.raises(RecordingError) as caught:
        RecordingFileSource(GOOD, ("front_left", "front_lft", "tail"))
    assert "no column front_lft_travel_mm for position front_lft (nor for tail); " in str(caught.value)
    assert "the nearest is front_right_travel_mm" in str(caught.value)


def test_instant_missing_far_down_is_found_when_opened(tmp_path: Path) -> None:
    """Parquet lets the instants be checked to the end before anything is written."""
    columns = make_simple(200_000)
    columns["t_s"][180_000] = np.nan
    with pytest.raises(RecordingError, match=r"row 180001, t_s is nan"):
        RecordingFileSource(write_parquet(tmp_path / "x", columns), ("a",))


def test_word_far_down_a_csv_stops_the_reading_without_an_end(tmp_path: Path) -> None:
    """What can't be seen at first is refused where it stands, and no `end` calls the recording complete."""
    path = write_csv(tmp_path / "x", make_simple(400_000))
    lines = path.read_text().split("\n")
    lines[390_000] = "389.999,oops,"
    path.write_text("\n".join(lines))
    source = RecordingFileSource(path, ("a",), block_rows=None)
    source.start(1, {})
    with pytest.raises(RecordingError, match=r"row 390000 \(line 390001\), column a_travel_mm: 'oops' is no number"):
        source.read_batch()
    assert source.read_batch() is None


def test_damaged_page_is_refused_with_its_place(tmp_path: Path) -> None:
    """Bytes gone bad in the middle of a good Parquet file."""
    content = bytearray(GOOD.read_bytes())
    content[150_000:250_000] = bytes(100_000)
    (tmp_path / "x").write_bytes(content)
    with pytest.raises(RecordingError, match=r"damaged at or after row \d+ \(.*\); copy or record it again"):
        Played(RecordingFileSource(tmp_path / "x", CORNERS))


def test_probe_refuses_alike(tmp_path: Path) -> None:
    """The same lines come from a mere look."""
    with pytest.raises(RecordingError, match="is a folder"):
        probe(tmp_path)
    with pytest.raises(RecordingError, match=r"that is 40 Hz"):
        probe(BAD["40 Hz"][0](tmp_path / "x"))


def test_without_pyarrow_the_remedy_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The core runs without the extra; the line says what to install."""
    path = write_csv(tmp_path / "x", make_simple(100))
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    for file in (path, GOOD):
        with pytest.raises(RecordingError, match=r"pip install 'dutylog\[files\]'"):
            RecordingFileSource(file, ("a",))


def test_odd_but_usable_columns_are_noted(tmp_path: Path) -> None:
    """Travel in metres, a dead corner, a column nobody asked for: said, not refused."""
    columns = make_simple(2_000)
    columns["a_travel_mm"] = columns["a_travel_mm"] * 1e-4
    columns["b_travel_mm"] = np.full(2_000, np.nan)
    columns["steering_deg"] = np.zeros(2_000)
    notes = RecordingFileSource(write_parquet(tmp_path / "x", columns), ("a", "b")).notes
    assert any("a_travel_mm stays within 1 mm" in note and "metres" in note for note in notes)
    assert any("b_travel_mm holds no number in the first 2000 rows" in note for note in notes)
    assert any("not used: steering_deg" in note for note in notes)
