"""A review goes to JSON and back as it was; damaged ones are told in one line."""

import copy
import json
import math
from dataclasses import replace

import pytest

from dutylog.errors import InputError
from dutylog.review.review import Figure
from dutylog.review.to_dict import review_from_dict, review_to_dict
from review.made_trips import made_review, made_trip


def test_a_review_comes_back_from_json_as_it_was():
    review = made_review()
    text = json.dumps(review_to_dict(review), allow_nan=False)
    assert review_from_dict(json.loads(text)) == review


def test_a_review_without_speed_gps_and_temperatures_comes_back_too():
    review = made_review(made_trip(with_gps=False, with_speed=False, with_body=False))
    content = json.loads(json.dumps(review_to_dict(review), allow_nan=False))
    assert review_to_dict(review_from_dict(content)) == content


def test_nan_becomes_none_where_that_may_be_and_is_an_error_elsewhere():
    review = made_review()
    row = replace(review.dampers[0], peak_body_c=math.nan)
    assert review_to_dict(replace(review, dampers=(row,)))["dampers"][0]["peak_body_c"] is None
    with pytest.raises(InputError, match=r"review\.dampers\.energy_j"):
        review_to_dict(replace(review, dampers=(replace(row, energy_j=math.inf),)))
    bad = replace(review.verdict[0], words=(Figure("count", math.nan),))
    with pytest.raises(InputError, match=r"review\.verdict\.words\.value"):
        review_to_dict(replace(review, verdict=(bad,)))


def test_what_else_stands_in_the_file_is_left_alone():
    content = {"schema": 1, "engine": "x", "stamp": {}} | review_to_dict(made_review())
    assert review_from_dict(content) == made_review()


def _places(content, path=()):
    """Every place in a nest of dicts and lists."""
    yield path
    inner = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    for key, one in inner:
        yield from _places(one, (*path, key))


def _problem_of(content):
    try:
        review_from_dict(content)
    except InputError as err:
        return str(err)
    return None


@pytest.mark.parametrize("wrong", [object(), [1], {"a": 1}, 1e400, "x" * 10_000, True, -(10**400)])
def test_any_value_replaced_reads_as_a_review_or_is_told_in_one_line(wrong):
    whole = review_to_dict(made_review())
    told = []
    for path in list(_places(whole))[1:]:
        content = copy.deepcopy(whole)
        inside = content
        for key in path[:-1]:
            inside = inside[key]
        inside[path[-1]] = wrong
        told.append(_problem_of(content))
    assert sum(one is not None for one in told) > 20
    assert all("\n" not in one and len(one) < 200 for one in told if one)


def test_a_field_that_is_missing_is_named():
    content = review_to_dict(made_review())
    del content["facts"]["seconds"]
    with pytest.raises(InputError, match=r"review\.facts has no .seconds."):
        review_from_dict(content)
    for wrong in (None, [], "x"):
        with pytest.raises(InputError, match="review is"):
            review_from_dict(wrong)
