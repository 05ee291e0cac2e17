"""Sentences of wear in the reader's units."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dutylog.errors import InputError
from dutylog.life.forecast import Forecast
from dutylog.life.words import cut_miles, refuse_other_parts, say_due, say_passes

DUE = Forecast(
    1, 2, 3, 290.0, 1700.0, None, 1.0, "due 2027-10-16; about 1,700 miles from today (290 to more); by use in 99 cases"
)


def test_a_sentence_keeps_its_clauses_and_changes_its_distances() -> None:
    """Only miles go; days and what is said of the calendar stay where they were."""
    assert say_due(DUE, "us") == DUE.text
    assert say_due(DUE, "metric") == "due 2027-10-16; about 2,700 km from today (470 to more); by use in 99 cases"
    assert cut_miles(DUE.text) == "due 2027-10-16; by use in 99 cases"
    plain = replace(DUE, text="due today: 3 % over its budget")
    assert say_due(plain, "metric") == say_due(plain, "us") == cut_miles(plain.text) == plain.text


def test_passes_are_told_by_the_distance_of_the_reader() -> None:
    """31 times a mile are 19 times a km."""
    assert say_passes(31.0, "us") == "it passes the seal 31 times a mile"
    assert say_passes(31.0, "metric") == "it passes the seal 19 times a km"
    assert say_passes(0.0, "metric") == "it passes the seal 0 times a km"


def test_parts_that_are_there_pass() -> None:
    """And what isn't is named with those that are."""
    refuse_other_parts("A", iter(("oil", "hose")), ["hose", "oil"])
    with pytest.raises(InputError, match="damper A has no part 'bladder'; it has oil, hose"):
        refuse_other_parts("A", iter(("oil", "hose")), ["oil", "bladder"])
