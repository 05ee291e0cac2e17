"""What is no review never reaches a page."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from dutylog.web.review_shape import MOST_REVIEW_BYTES, ReviewBroken, parse_review
from dutylog.web.review_view import read_review
from web.review_samples import review_object, write_review
from web.test_review_routes import Pages, shown

__all__ = ["shown"]


def test_a_real_review_has_the_shape_the_page_reads() -> None:
    """The page's own description of the file and the one that writes it say the same."""
    assert parse_review(json.dumps(review_object()).encode())["schema"] == 1


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"null",
        b"[]",
        b"{}",
        b"[" * 100_000,
        b"\xff",
        b'{"schema": NaN}',
        b"x" * (MOST_REVIEW_BYTES + 1),
        b"1" * 5000,
    ],
    ids=["empty", "null", "list", "bare", "deep", "bytes", "nan", "long", "number"],
)
def test_what_is_no_review_is_refused(raw: bytes) -> None:
    """Another program's file, or half of one."""
    with pytest.raises(ReviewBroken):
        parse_review(raw)


def test_a_field_that_is_amiss_anywhere_is_refused() -> None:
    """Each value in turn made null, a list and a text: never a failed page."""
    whole = review_object()

    def leaves(value: Any, path: tuple[Any, ...] = ()) -> Any:
        if isinstance(value, dict):
            for name in value:
                yield from leaves(value[name], (*path, name))
        elif isinstance(value, list) and value:
            yield from leaves(value[0], (*path, 0))
        else:
            yield path

    refused = 0
    for path in leaves(whole):
        for wrong in (None, [[]], {"kind": "none", "value": 1}, True, 10**400, "x"):
            broken = json.loads(json.dumps(whole))
            part = broken
            for step in path[:-1]:
                part = part[step]
            part[path[-1]] = wrong
            try:
                parse_review(json.dumps(broken).encode())
            except ReviewBroken:
                refused += 1
    assert refused > 400


@pytest.mark.anyio
async def test_a_broken_review_is_as_none(shown: Pages, tmp_path: Path) -> None:
    """It is made anew; meanwhile the ledger's figures are there."""
    path = tmp_path / "reviews" / "trip-1" / "review.json"
    for raw in ("{", json.dumps(review_object(schema=2)), json.dumps(review_object(verdict=[{}]))):
        path.write_text(raw)
        answer = await shown.get("/trips/1")
        assert answer.status_code == 200
        assert "1.21\u00a0MJ" in answer.text
        assert len(shown.desk.asked) > 0
    path.unlink()
    path.mkdir()
    assert (await shown.get("/trips/1")).status_code == 200


def test_a_review_of_another_engine_is_shown_until_it_is_made_anew(tmp_path: Path) -> None:
    """After an update; a trip under way is then reviewed without anybody asking."""
    folder = write_review(tmp_path, "1")
    (folder / "review.json").write_text(json.dumps(review_object(engine="0")))
    review = read_review(tmp_path, "1")
    assert review is not None
    assert not review.is_current
