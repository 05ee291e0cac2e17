"""`dutylog trip review`: a table or JSON, kept and given again, one line for whatever is wrong."""

from __future__ import annotations

import json
import os
import random

import pytest

from dutylog.cli.main import main
from dutylog.life import history
from dutylog.review import analysis, fresh, store
from review.driven_trips import RoughSource, truck

__all__ = ["truck"]


@pytest.fixture
def driven(truck, monkeypatch):
    """A vehicle that was driven for two minutes; while a test looks twice no ten minutes end and no damper cools."""
    monkeypatch.setattr(fresh, "STEP_NS", 10**18)
    monkeypatch.setattr(history, "COOL_S", 0.0)
    truck.drive(120, 1000, source=RoughSource(120, 1000))
    return truck


def ask(truck, *words):
    return main(["trip", "review", *words, "--data", str(truck.data)])


def test_a_review_is_told_in_words_and_tables_and_kept(driven, capsys):
    assert ask(driven, "1") == 0
    out = capsys.readouterr().out
    assert "front left" in out
    assert "SN-4" in out
    folder = driven.data / "reviews" / "trip-1"
    names = {path.name for path in folder.iterdir()}
    assert {"trip.npz", "review.json", "plots.json.gz", "detail-00.json.gz"} <= names
    assert all(path.stat().st_mode & 0o777 == 0o640 for path in folder.iterdir())
    assert folder.stat().st_mode & 0o777 == 0o750


def test_json_is_what_is_kept(driven, capsys):
    assert ask(driven, "1", "--format", "json") == 0
    out = capsys.readouterr().out
    assert out.rstrip("\n") == store.read_review_text(driven.data, "1")
    content = json.loads(out)
    assert content["schema"] == 1
    assert content["facts"]["key"] == "1"
    with driven.ledger() as ledger:
        shares = {one.position: one.totals for one in ledger.trip(1).row.dampers}
    assert {row["position"]: row["energy_j"] for row in content["dampers"]} == {
        place: totals.energy_uj / 1e6 for place, totals in shares.items()
    }


def test_asked_again_the_log_is_left_alone(driven, capsys, monkeypatch):
    assert ask(driven, "1", "--format", "json") == 0
    first = capsys.readouterr().out

    def refuse(*_, **__):
        raise AssertionError("the log was read")

    monkeypatch.setattr(analysis, "analyse", refuse)
    assert ask(driven, "1", "--format", "json") == 0
    assert capsys.readouterr().out == first
    # A fault of ours by the test's own hand: it proves that --again does read the log.
    assert ask(driven, "1", "--again") == 70


@pytest.mark.parametrize(
    "harm", ["cut", "other", *(pytest.param(one, marks=pytest.mark.slow) for one in ("empty", "foreign"))]
)
def test_damaged_files_are_made_anew(driven, capsys, harm):
    assert ask(driven, "1", "--format", "json") == 0
    first = capsys.readouterr().out
    path = driven.data / "reviews" / "trip-1" / "trip.npz"
    octets = path.read_bytes()
    spoiled = {"empty": b"", "foreign": b"PK nothing", "cut": octets[: len(octets) // 2]}
    path.write_bytes(spoiled.get(harm, os.urandom(5000)))
    (driven.data / "reviews" / "trip-1" / "review.json").write_bytes(b"[1, 2")
    assert ask(driven, "1", "--format", "json") == 0
    assert capsys.readouterr().out == first
    assert store.load(driven.data, "1") is not None


def test_a_trip_that_went_on_is_read_again(driven, capsys):
    assert ask(driven, "1", "--format", "json") == 0
    first = json.loads(capsys.readouterr().out)
    driven.drive(40, 1130, source=RoughSource(40, 1130))
    assert ask(driven, "1", "--format", "json") == 0
    second = json.loads(capsys.readouterr().out)
    assert second["facts"]["seconds"] > first["facts"]["seconds"] + 30
    assert second["dampers"][0]["strokes_count"] > first["dampers"][0]["strokes_count"]


def test_progress_is_told_for_programs(driven, capsys):
    assert ask(driven, "1", "--progress") == 0
    lines = capsys.readouterr().err.splitlines()
    shares = [float(line.removeprefix("progress ")) for line in lines]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert len(lines) == len(set(lines))
    assert all(line == f"progress {share:.2f}" for line, share in zip(lines, shares, strict=True))


@pytest.mark.parametrize("key", ["9", "1.2", "0", "../../etc", "1;rm", "", "１", "7.0", "9" * 40])
def test_what_is_no_trip_is_said_in_one_line(driven, capsys, key):
    assert ask(driven, "--", key) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert "trip" in captured.err
    assert not (driven.data / "reviews").exists()


def test_a_folder_that_cannot_be_written_is_said(driven, capsys):
    (driven.data / "reviews").write_text("a file in the way")
    assert ask(driven, "1") == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_units_are_the_readers(driven, capsys):
    assert ask(driven, "1", "--units", "us") == 0
    us = capsys.readouterr().out
    assert ask(driven, "1", "--units", "metric") == 0
    metric = capsys.readouterr().out
    assert "°F" in us
    assert "°F" not in metric


@pytest.mark.parametrize("seed", range(6))
def test_a_spoiled_log_never_ends_in_a_fault(driven, capsys, seed):
    """Bytes flipped, cut off and strewn in anywhere: a review with a note, or one line."""
    rng = random.Random(seed)
    for file in sorted((driven.data / "log").glob("*.dlg")):
        octets = bytearray(file.read_bytes())
        for _ in range(rng.randrange(1, 20)):
            octets[rng.randrange(len(octets))] ^= 1 << rng.randrange(8)
        if rng.random() < 0.3:
            del octets[rng.randrange(len(octets)) :]
        if rng.random() < 0.3:
            place = rng.randrange(len(octets) + 1)
            octets[place:place] = rng.randbytes(3000)
        file.write_bytes(octets)
    status = ask(driven, "1", "--format", "json")
    captured = capsys.readouterr()
    if status == 0:
        told = json.loads(captured.out)
        assert not told["is_raw_whole"]
        assert told["notes"]
    else:
        assert status == 2
        assert captured.err.count("\n") == 1


def test_a_log_without_any_good_frame_is_said(driven, capsys):
    for file in (driven.data / "log").glob("*.dlg"):
        file.write_bytes(b"nothing of ours" * 100)
    assert ask(driven, "1") == 2
    assert capsys.readouterr().err.count("\n") == 1
