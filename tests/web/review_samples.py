"""Reviews of invented trips in a data folder, and programs that stand in for the command that makes them."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from dutylog import ENGINE
from dutylog.review.plots import encode, make_details, make_plots
from dutylog.review.review import Review
from dutylog.review.to_dict import review_to_dict
from dutylog.review.trip_data import TripData
from review.made_trips import made_review, made_trip

IDLE = (sys.executable, "-c", "")
"""A command that finds nothing new to do."""


def write_review(data_dir: Path, key: str = "1", data: TripData | None = None, review: Review | None = None) -> Path:
    """Put all files of a trip's review into a data folder, as the command does; return their folder."""
    data = data or made_trip(key=key)
    review = review or made_review(data)
    folder = data_dir / "reviews" / f"trip-{key}"
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in make_details(data):
        (folder / f"{name}.json.gz").write_bytes(encode(content))
    (folder / "plots.json.gz").write_bytes(encode(make_plots(data, review)))
    (folder / "review.json").write_text(json.dumps(review_object(review)), encoding="utf-8")
    return folder


def review_object(review: Review | None = None, **changes: Any) -> dict[str, Any]:
    """Return review.json of an invented trip."""
    base = {"schema": 1, "engine": ENGINE, "stamp": {}, **review_to_dict(review or made_review())}
    return {**base, **changes}


def program(code: str) -> tuple[str, ...]:
    """Return a program that runs some Python in place of `dutylog`."""
    return (sys.executable, "-c", code)
