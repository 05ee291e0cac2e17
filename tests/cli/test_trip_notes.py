"""`dutylog trip care`, `load` and `road` as people type them: told, listed, refused in one line."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from dutylog.cli.main import main
from dutylog.cli.trip_notes import parse_moment
from dutylog.errors import InputError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.trip_book import TripBook
from dutylog.ledger.trip_notes import CARE_ITEMS, read_notes
from dutylog.review.care import make_care
from dutylog.review.damper_rows import make_damper_rows
from dutylog.review.stamps import make_stamp
from dutylog.review.store import REVIEW_NAME, folder_of
from dutylog.review.to_dict import review_to_dict
from life.lived import START, Lived
from review.made_trips import made_review, made_trip
from review.told_trips import book_of

Run = Callable[..., str]
BY = ("--by", "Ada")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A folder with two trips of half an hour in it."""
    lived = Lived(tmp_path)
    for number in (1, 2):
        lived.drive(START + timedelta(number), 30)
        lived.trip(number, 30)
    lived.close()
    return tmp_path


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], data: Path) -> Run:
    def do(*words: str) -> str:
        assert main(["trip", *words, "--data", str(data)]) == 0
        return capsys.readouterr().out

    return do


@pytest.fixture
def refuse(capsys: pytest.CaptureFixture[str], data: Path) -> Run:
    def do(*words: str) -> str:
        assert main(["trip", *words, "--data", str(data)]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.count("\n") == 1
        return err

    return do


@pytest.fixture
def reviewed(data: Path) -> None:
    """A review of the trip lies in the folder, made before anything was told."""
    keep_review(data, "1")


def keep_review(data: Path, key: str) -> None:
    trip = made_trip()
    rows = make_damper_rows(trip, book_of(trip), {})
    told = {"dirt": "mud", "is_washed": False, "gas_days": {"front_left": None}, "done": ()}
    items = make_care(data=trip, dampers=rows, seconds=trip.end_s, **told)
    with Ledger.open(data / "ledger.sqlite", read_only=True) as ledger:
        stamp = make_stamp(ledger, TripBook(ledger).trip(key)).to_dict()
    content = {"schema": 1, "stamp": stamp} | review_to_dict(replace(made_review(), care=items))
    folder = folder_of(data, key)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / REVIEW_NAME).write_text(json.dumps(content))


def test_what_was_told_is_read_by_everybody(run: Run, data: Path) -> None:
    """The line says under which number it can be taken back."""
    assert "wash done by Ada; stored as entry" in run("care", "1", "wash", *BY, "--note", "with a sponge")
    assert "full tank" in run("load", "1", "full tank", *BY)
    assert "trip 1 was on washboard there" in run(
        "road", "1", "--from", "0:01:00", "--to", "0:29:59", "--kind", "washboard", *BY
    )
    with Ledger.open(data / "ledger.sqlite", read_only=True) as ledger:
        notes = read_notes(ledger, "1")
    assert notes.load_note == "full tank"
    assert [(one.item, one.note) for one in notes.care] == [("wash", "with a sponge")]
    assert [(one.from_s, one.to_s) for one in notes.roads] == [(60.0, 1799.0)]


def test_the_list_of_a_trip_that_nobody_reviewed_says_how(run: Run) -> None:
    """What it calls for isn't known then; what was done is."""
    assert "nobody told of any care yet" in run("care", "1")
    run("care", "1", "dry", *BY)
    text = run("care", "1")
    assert "done by Ada" in text
    assert "dutylog trip review 1" in text
    found = json.loads(run("care", "1", "--format", "json"))
    assert found["is_reviewed"] is False
    assert [(one["item"], one["done_by"]) for one in found["care"]] == [("dry", "Ada")]


@pytest.mark.usefixtures("reviewed")
def test_the_list_of_a_reviewed_trip_has_reasons_cautions_and_what_was_done_since(run: Run) -> None:
    """Who stands at the vehicle needs what, why, and what burns."""
    run("care", "1", "wash", *BY, "--note", "with a sponge")
    text = run("care", "1", "--units", "us")
    assert [line.split(":")[0] for line in text.splitlines() if line[0] != " "] == list(CARE_ITEMS)
    assert "wash: done by Ada, 20" in text
    assert "    note: with a sponge" in text
    assert "cool: to do" in text
    assert "°F" in text
    assert "caution: Charged with gas" in text
    found = json.loads(run("care", "1", "--format", "json"))
    assert [one["item"] for one in found["care"]] == list(CARE_ITEMS)
    assert "mud was told" in found["care"][1]["why"]


@pytest.mark.usefixtures("reviewed")
def test_a_merged_trip_is_listed_by_either_number_and_an_older_review_isn_t_used(run: Run, data: Path) -> None:
    """What a trip called for before it was joined to another isn't what both call for."""
    assert "cool: to do" in run("care", "1")
    run("merge", "1", "2", *BY)
    assert "care of trip 1: dry done" in run("care", "2", "dry", *BY)
    assert "not reviewed yet; run `dutylog trip review 1`" in run("care", "2")
    keep_review(data, "1")
    for key in ("1", "2"):
        text = run("care", key)
        assert "dry: done by Ada" in text
        assert "cool: to do" in text
    found = json.loads(run("care", "2", "--format", "json"))
    assert (found["trip"], found["is_reviewed"]) == ("1", True)
    assert "never above 40\u00a0°C" in found["care"][5]["caution"]
    assert "load of trip 1" in run("load", "2", "full tank", *BY)
    assert "trip 1 was on rough" in run("road", "2", "--from", "0:00:00", "--to", "0:05:00", "--kind", "rough", *BY)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("care", "x"), "'x' is no trip; write 7"),
        (("care", "../1"), "is no trip"),
        (("care", "9"), "no trip 9"),
        (("care", "9", "wash", *BY), "no trip 9"),
        (("care", "1", "polish", *BY), "none of cool, wash"),
        (("care", "1", "wash"), "Give --by NAME"),
        (("care", "1", *BY), "which item was done"),
        (("care", "1", "wash", "--by", " "), "must be printable"),
        (("load", "1", "", *BY), "must be printable"),
        (("load", "1", "x" * 65, *BY), "at most 64"),
        (("load", "0", "x", *BY), "is no trip"),
        (("road", "1", "--from", "1:00", "--to", "0:02:00", "--kind", "rough", *BY), "like 1:02:30"),
        (("road", "1", "--from", "0:02:00", "--to", "0:01:00", "--kind", "rough", *BY), "swap them"),
        (("road", "1", "--from", "0:02:00", "--to", "9:00:00", "--kind", "rough", *BY), "trip 1 lasts 0:30:00"),
        (("road", "1", "--from", "0:00:00", "--to", "0:01:00", "--kind", "lava", *BY), "lava"),
    ],
)
def test_nonsense_is_one_line_with_its_remedy(refuse: Run, data: Path, words: tuple[str, ...], said: str) -> None:
    """Whoever mistypes gets a hint, not a traceback, and nothing is written."""
    with Ledger.open(data / "ledger.sqlite", read_only=True) as ledger:
        before = len(ledger.entries())
    assert said in refuse(*words)
    with Ledger.open(data / "ledger.sqlite", read_only=True) as ledger:
        assert len(ledger.entries()) == before


@pytest.mark.parametrize(("text", "seconds"), [("0:00:00", 0.0), ("1:02:30", 3750.0), ("123:59:59", 446_399.0)])
def test_a_moment_is_hours_minutes_and_seconds(text: str, seconds: float) -> None:
    assert parse_moment(text, "--from") == seconds


@pytest.mark.parametrize("text", ["", "1:2:3", "0:60:00", "0:00:60", "-1:00:00", "1:00:00.5", "1:00:00\n", "٠:00:00"])
def test_any_other_text_is_no_moment(text: str) -> None:
    with pytest.raises(InputError, match="since the trip's begin"):
        parse_moment(text, "--from")
