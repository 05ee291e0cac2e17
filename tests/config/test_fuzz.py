"""Whatever is in the file: it is good, or there are lines about it. Never another exception."""

from __future__ import annotations

import copy
import datetime
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.config import example_text
from dutylog.config.curves import check_curve
from dutylog.config.lines import find_lines
from dutylog.config.loader import parse_settings
from dutylog.config.report import Report
from dutylog.domain.vehicle import ForceCurve
from dutylog.errors import ConfigError

GOOD = (Path(__file__).parent / "data" / "good.toml").read_text(encoding="utf-8")
TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**80), 2**80),
    st.sampled_from([0, 1, 10**400, -(10**400), 0.254, 1310, 5e-324, 1e308, float("nan"), float("inf")]),
    st.floats(),
    TEXT,
    st.sampled_from(["front", "rear", "front_left", "recording", "simulated", "127.0.0.1", "~nobody/x"]),
    st.dates(),
    st.times(),
)
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=3), max_leaves=8
)


def dump(value: Any) -> str:
    """Write a value as inline TOML."""
    match value:
        case bool():
            return "true" if value else "false"
        case datetime.date() | datetime.time():
            return value.isoformat()
        case int() if abs(value) > 10**18:
            return hex(value) if value > 0 else "-1"
        case int():
            return str(value)
        case float():
            return repr(value)
        case str():
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case list():
            return "[" + ", ".join(dump(v) for v in value if v is not None) + "]"
        case dict():
            return "{" + ", ".join(f"{dump(k)} = {dump(v)}" for k, v in value.items() if v is not None) + "}"
    raise TypeError(value)


def dump_document(document: dict[str, Any]) -> str:
    return "\n".join(f"{dump(key)} = {dump(value)}" for key, value in document.items() if value is not None)


def places(node: Any) -> list[tuple[Any, Any]]:
    """Return every (holder, key) in a document."""
    pairs = list(node.items()) if isinstance(node, dict) else list(enumerate(node)) if isinstance(node, list) else []
    return [(node, key) for key, _ in pairs] + [place for _, value in pairs for place in places(value)]


@st.composite
def documents(draw: st.DrawFn) -> str:
    """A good document with up to four values replaced, removed or added."""
    document = tomllib.loads(draw(st.sampled_from([GOOD, example_text()])))
    for _ in range(draw(st.integers(1, 4))):
        spots = places(document)
        if not spots:
            break
        holder, key = draw(st.sampled_from(spots))
        action = draw(st.sampled_from(["replace", "remove", "add", "double"]))
        if action == "replace":
            holder[key] = draw(VALUES)
        elif action == "remove":
            del holder[key]
        elif action == "add" and isinstance(holder, dict):
            holder[draw(TEXT | st.sampled_from(["serial", "stroke_mm", "calibration", "force_at"]))] = draw(VALUES)
        elif action == "double" and isinstance(holder, list):
            holder.append(copy.deepcopy(holder[key]))
    return dump_document(document)


def check_answer(data: bytes) -> None:
    try:
        answer = parse_settings(data, Path("truck.toml"))
    except ConfigError as err:
        lines = err.problems
        assert lines
    else:
        lines = answer.notes
        # What passed must be fit for the raw log, whose JSON has no NaN.
        json.dumps(answer.vehicle.to_dict(), allow_nan=False)
    for line in lines:
        assert line.startswith("truck.toml")
        assert len(line.splitlines()) == 1
        assert line.isprintable()


@settings(max_examples=400, deadline=None)
@given(documents())
def test_changed_values(text):
    """Well-formed TOML with wrong content."""
    tomllib.loads(text)
    check_answer(text.encode())


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_changed_bytes(data):
    """Half-saved and hand-mangled files."""
    content = bytearray(data.draw(st.sampled_from([GOOD, example_text()])).encode())
    for _ in range(data.draw(st.integers(1, 5))):
        start = data.draw(st.integers(0, len(content)))
        end = min(len(content), start + data.draw(st.integers(0, 30)))
        content[start:end] = data.draw(
            st.binary(max_size=6) | st.sampled_from([b'"', b"[", b"]]", b"\n", b"= ", b"'''"])
        )
    check_answer(bytes(content))


@settings(max_examples=200, deadline=None)
@given(documents(), st.sampled_from([GOOD, example_text()]))
def test_lines_exist_and_hold_their_key(mutated, good):
    """A line number that points elsewhere is worse than none."""
    for text in (mutated, good):
        document, rows = tomllib.loads(text), text.split("\n")
        for path, line in find_lines(text).items():
            node: Any = document
            for part in path:
                node = node[part]
            name = next(part for part in reversed(path) if isinstance(part, str))
            assert name in rows[line - 1] or dump(name)[1:-1] in rows[line - 1]


def test_lines_of_every_way_to_write():
    """Strings and arrays over several lines, quoted and dotted keys, arrays of tables inside tables."""
    text = (
        'a = """\n[not.a.table]\nb = 1 # "\n"""""\n'  # 1-4
        "'q.r' = 'it''s' if\n".replace("'it''s' if", '[\n  "]", # ]\n  1,\n]')  # 5-8
        + "x.y . \"z = \" = {k = '}'}\n"  # 9
        + "[[p]] # [q]\n[p.s]\nu = '''\n'''\n[[p.t]]\nv = 1\n[[p.t]]\n\n[[p]]\n  [[p.t]]\n  v=2"  # 10-
    )
    tomllib.loads(text)
    assert find_lines(text) == {
        ("a",): 1,
        ("q.r",): 5,
        ("x",): 9,
        ("x", "y"): 9,
        ("x", "y", "z = "): 9,
        ("p",): 10,
        ("p", 0): 10,
        ("p", 0, "s"): 11,
        ("p", 0, "s", "u"): 12,
        ("p", 0, "t"): 14,
        ("p", 0, "t", 0): 14,
        ("p", 0, "t", 0, "v"): 15,
        ("p", 0, "t", 1): 16,
        ("p", 1): 18,
        ("p", 1, "t"): 19,
        ("p", 1, "t", 0): 19,
        ("p", 1, "t", 0, "v"): 20,
    }


SPEEDS = st.floats(-4, 4).map(lambda v: round(v, 2))
FORCES = st.floats(-3000, 3000).map(lambda f: float(round(f)))


@settings(max_examples=500, deadline=None)
@given(
    st.lists(st.tuples(SPEEDS, FORCES), min_size=1, max_size=6, unique_by=lambda p: p[0]),
    st.booleans(),
    st.lists(st.floats(-30, 30), min_size=1, max_size=20),
)
def test_an_accepted_curve_never_drives_the_wheel(points, with_zero, speeds):
    """Energy must not fall anywhere: at the points, between them, and far beyond the ends."""
    signed = [(v, abs(f) if v > 0 else -abs(f)) for v, f in points if v != 0]
    curve = sorted(signed + ([(0.0, 0.0)] if with_zero else []))
    if len(curve) < 2:
        return
    report = Report(Path("truck.toml"), "")
    check_curve(curve, ("force_curve",), report)
    if report.problems:
        return
    force = ForceCurve(tuple(p[0] for p in curve), tuple(p[1] for p in curve))
    peak = max(abs(f) for _, f in curve)
    for v in speeds + [p[0] / 2 for p in curve]:
        # 1e-6 of the peak is what a curve may miss zero by; 1e-9 is rounding.
        assert force.compute_force_n(v) * v >= -(1e-6 + 1e-9) * peak * abs(v)


@pytest.mark.parametrize("curve", [[(-1.0, -500.0), (0.0, 0.0), (1.0, 300.0)], [(-2.0, -900.0), (2.0, 900.0)]])
def test_a_plain_curve_is_accepted(curve):
    """The test above would pass if nothing ever were."""
    report = Report(Path("truck.toml"), "")
    check_curve(curve, ("force_curve",), report)
    assert report.problems == ()
    assert report.notes == ()
