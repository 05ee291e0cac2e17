"""Reviews on disk: whole or not there, the same when read back, bounded, and never a surprise for whoever reads."""

from __future__ import annotations

import io
import json
import os
import shutil
import stat
import zipfile
from dataclasses import replace

import numpy as np
import pytest

from dutylog.errors import LedgerError
from dutylog.review import packing, store
from dutylog.review.room import UNDER_WAY_S, prune
from dutylog.review.store import HEIGHTS_NAME
from dutylog.review.to_dict import review_to_dict
from dutylog.review.trip_data import COUNTS, SIGNALS
from review.made_trips import made_review, made_trip
from review.same import assert_same

STAMP = store.Stamp(1, "1", ((1, 0, 5, 100),), False, (("unit", "front_left", 1, None),), 0)


def test_what_is_read_is_what_was_written(tmp_path):
    data = made_trip(seconds=300)
    store.save(tmp_path, data, STAMP)
    assert_same(store.load(tmp_path, "7"), data)
    assert_same(store.load(tmp_path, "7", STAMP), data)


@pytest.mark.parametrize("seconds", [0, 1])
def test_a_trip_without_rows_is_kept_too(tmp_path, seconds):
    data = made_trip(seconds=300)
    rows = {name: getattr(data, name)[:seconds] for name in packing._ROWS}
    names = (*COUNTS, *SIGNALS)
    dampers = tuple(replace(one, **{name: getattr(one, name)[:seconds] for name in names}) for one in data.dampers)
    data = replace(data, **rows, dampers=dampers, start_utc_s=None, contacts=(), segments=(), faults=())
    store.save(tmp_path, data, STAMP)
    assert_same(store.load(tmp_path, "7"), data)


@pytest.mark.parametrize(
    "change",
    [
        {"schema": 2},
        {"engine": "2"},
        {"spans": ((1, 0, 5, 101),)},
        {"is_open": True},
        {"shares": (("unit", "front_left", 2, None),)},
        {"recounted": 9},
    ],
)
def test_what_was_made_from_something_else_counts_as_none(tmp_path, change):
    store.save(tmp_path, made_trip(seconds=60), STAMP)
    assert store.load(tmp_path, "7", replace(STAMP, **change)) is None
    assert store.load(tmp_path, "7", STAMP) is not None


def test_a_file_cut_anywhere_counts_as_none(tmp_path):
    store.save(tmp_path, made_trip(seconds=20), STAMP)
    path = tmp_path / "reviews" / "trip-7" / "trip.npz"
    whole = path.read_bytes()
    for length in [*range(0, len(whole), 97), len(whole) - 1]:
        path.write_bytes(whole[:length])
        assert store.load(tmp_path, "7") is None


def test_a_file_with_a_flipped_byte_is_none_or_whole(tmp_path):
    """Zip members carry a sum; what it doesn't guard must still not become a traceback."""
    data = made_trip(seconds=20)
    store.save(tmp_path, data, STAMP)
    path = tmp_path / "reviews" / "trip-7" / "trip.npz"
    whole = path.read_bytes()
    for place in range(0, len(whole), 101):
        spoiled = bytearray(whole)
        spoiled[place] ^= 0x55
        path.write_bytes(spoiled)
        found = store.load(tmp_path, "7")
        if found is not None:
            assert_same(found, data)


def make_npz(**changes):
    """Return a file as `save` writes it with some arrays changed; None leaves one out."""
    stream = io.BytesIO()
    packing.pack(stream, made_trip(seconds=20), STAMP.to_dict())
    stream.seek(0)
    arrays = {**np.load(stream), **changes}
    out = io.BytesIO()
    np.savez(out, **{name: array for name, array in arrays.items() if array is not None})
    return out.getvalue()


@pytest.mark.parametrize(
    "changes",
    [
        {"t_s": None},
        {"t_s": np.zeros(19)},
        {"dt_s": np.zeros(20, dtype=np.float32)},
        {"moving": np.zeros((20, 2), dtype=bool)},
        {"meta": np.frombuffer(b"[]", dtype=np.uint8)},
        {"meta": np.frombuffer(b'{"schema": 1}', dtype=np.uint8)},
        {"meta": np.frombuffer(b"\xff\xfe", dtype=np.uint8)},
        {"0_body_c": np.zeros(20)},
        {"0_energy_by_speed_uj": np.zeros(3, dtype=np.int64)},
        {"meta": np.array([object()], dtype=object)},
    ],
)
def test_foreign_contents_count_as_none(tmp_path, changes):
    folder = tmp_path / "reviews" / "trip-7"
    folder.mkdir(parents=True)
    (folder / "trip.npz").write_bytes(make_npz())
    assert store.load(tmp_path, "7") is not None
    (folder / "trip.npz").write_bytes(make_npz(**changes))
    assert store.load(tmp_path, "7") is None


def test_a_file_that_unpacks_to_more_than_any_trip_is_not_opened(tmp_path, monkeypatch):
    monkeypatch.setattr(packing, "LARGEST_BYTES", 10_000)
    folder = tmp_path / "reviews" / "trip-7"
    folder.mkdir(parents=True)
    with zipfile.ZipFile(folder / "trip.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("t_s.npy", bytes(100_000))
    assert store.load(tmp_path, "7") is None


def test_another_trips_file_counts_as_none(tmp_path):
    store.save(tmp_path, made_trip(seconds=20), STAMP)
    (tmp_path / "reviews" / "trip-7").rename(tmp_path / "reviews" / "trip-8")
    assert store.load(tmp_path, "8") is None


@pytest.mark.parametrize("key", ["", "..", "../7", "7/..", "07", "7.0", "7.2.3", "-1", "7\n", "٧"])
def test_only_keys_of_trips_name_folders(tmp_path, key):
    for ask in (store.folder_of, store.load, store.read_review, store.read_review_text):
        with pytest.raises(LedgerError, match="no trip"):
            ask(tmp_path, key)


def test_a_review_is_read_back_and_nonsense_is_none(tmp_path):
    review = made_review()
    text = json.dumps({"schema": 1, "engine": "1", "stamp": {}, **review_to_dict(review)})
    store.write_file(tmp_path, "7", "review.json", lambda file: file.write(text.encode()) and None)
    assert store.read_review_text(tmp_path, "7") == text
    assert store.read_review(tmp_path, "7") == review
    for nonsense in (b"", b"\xff", b"[]", b'{"schema": 2}', b"[" * 100_000, text[:-20].encode()):
        store.write_file(tmp_path, "7", "review.json", lambda file, octets=nonsense: file.write(octets) and None)
        assert store.read_review_text(tmp_path, "7") is None
        assert store.read_review(tmp_path, "7") is None
    store.write_file(tmp_path, "7", "review.json", lambda file: file.write(b'{"schema": 1}') and None)
    assert store.read_review(tmp_path, "7") is None


def test_a_write_that_fails_leaves_what_was_there(tmp_path):
    store.save(tmp_path, made_trip(seconds=20), STAMP)

    def fail(file):
        file.write(b"half")
        raise OSError(28, "No space left on device")

    with pytest.raises(LedgerError, match=r"trip\.npz: can't be written: No space"):
        store.write_file(tmp_path, "7", "trip.npz", fail)
    assert store.load(tmp_path, "7") is not None
    assert [path.name for path in (tmp_path / "reviews" / "trip-7").iterdir()] == ["trip.npz"]


def fill(folder, key, made_at, size):
    store.write_file(folder, key, "trip.npz", lambda file: file.write(bytes(size)) and None)
    store.write_file(folder, key, HEIGHTS_NAME, lambda file: file.write(b"{}") and None)
    for path in (store.folder_of(folder, key) / "trip.npz", store.folder_of(folder, key)):
        os.utime(path, (made_at, made_at))


def test_the_oldest_go_first_and_standing_heights_stay(tmp_path):
    for number in range(1, 6):
        fill(tmp_path, str(number), 1000 + number, 100)
    assert prune(tmp_path, "5", most_trips=3) == ["2", "1"]
    left = {path.name: sorted(one.name for one in path.iterdir()) for path in (tmp_path / "reviews").iterdir()}
    assert left["trip-1"] == [HEIGHTS_NAME]
    assert left["trip-3"] == sorted([HEIGHTS_NAME, "trip.npz"])
    assert prune(tmp_path, "5", most_trips=3) == []


def test_size_is_bounded_and_the_newest_stays_whatever_its_size(tmp_path):
    for number in range(1, 6):
        fill(tmp_path, str(number), 1000 + number, 1000)
    assert prune(tmp_path, "5", most_bytes=2100) == ["3", "2", "1"]
    fill(tmp_path, "6", 2000, 9000)
    prune(tmp_path, "6", most_bytes=2100)
    assert (tmp_path / "reviews" / "trip-6" / "trip.npz").exists()


def test_a_review_under_way_is_left_alone_and_left_overs_go(tmp_path):
    """A process that writes its first file must find its folder; one that was killed comes back for nothing."""
    for number in range(1, 6):
        fill(tmp_path, str(number), 1000 + number, 100)
    folders = {number: store.folder_of(tmp_path, str(number)) for number in range(1, 7)}
    (folders[1] / ".trip.npz.abcd1234").write_bytes(b"half")
    old = folders[2] / ".trip.npz.abcd1234"
    old.write_bytes(b"half")
    os.utime(old, (old.stat().st_mtime - UNDER_WAY_S - 60,) * 2)
    os.utime(folders[2], (1000, 1000))
    folders[6].mkdir()
    assert prune(tmp_path, "5", most_trips=3) == ["2"]
    assert sorted(path.name for path in folders[1].iterdir()) == [".trip.npz.abcd1234", HEIGHTS_NAME, "trip.npz"]
    assert [path.name for path in folders[2].iterdir()] == [HEIGHTS_NAME]
    assert folders[6].is_dir()


def test_left_overs_of_the_trip_under_review_go_too(tmp_path):
    fill(tmp_path, "5", 1000, 100)
    left = store.folder_of(tmp_path, "5") / ".plots.json.gz.x"
    left.write_bytes(b"half")
    os.utime(left, (1000, 1000))
    prune(tmp_path, "5")
    assert not left.exists()


def test_a_folder_that_vanishes_while_it_is_written_to_is_made_anew(tmp_path):
    """Another process makes room just then. It isn't a full disk, and the second time it works."""
    times = []

    def write(file):
        times.append(1)
        file.write(b"whole")
        if len(times) == 1:
            shutil.rmtree(store.folder_of(tmp_path, "7"))

    store.write_file(tmp_path, "7", "trip.npz", write)
    assert (store.folder_of(tmp_path, "7") / "trip.npz").read_bytes() == b"whole"

    def always(file):
        shutil.rmtree(store.folder_of(tmp_path, "7"))

    with pytest.raises(LedgerError, match=r"No such file.*check that the folder is there"):
        store.write_file(tmp_path, "7", "trip.npz", always)


def test_a_file_is_on_the_disk_before_it_takes_its_place_and_its_name_after(tmp_path, monkeypatch):
    """Once the raw log is pruned these are the only copy: a power cut must not leave an empty file."""
    done = []
    real = {name: getattr(os, name) for name in ("fsync", "replace")}

    def fsync(descriptor):
        done.append("folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "file")
        real["fsync"](descriptor)

    def replace_file(source, target):
        done.append("rename")
        real["replace"](source, target)

    store.write_octets(tmp_path, "7", "x", b"1")
    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", replace_file)
    store.write_octets(tmp_path, "7", "x", b"2")
    assert done == ["file", "rename", "folder"]
    store.write_octets(tmp_path, "7", "x", b"2")
    assert done == ["file", "rename", "folder"]
