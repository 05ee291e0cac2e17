"""Each kind of alert, row by row: raised, held, cleared, and never fluttering at its limit."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from alerts.moments import NOTHING_WRONG, S, run, vehicle
from dutylog.alerts.book import AlertBook
from dutylog.alerts.rules import ACT_NOW, ADVICE, KINDS, OUTPUT_REFUSED, RULES, say_over

SURE = [kind for kind in KINDS if kind != OUTPUT_REFUSED]
HOLDS = {
    "damper_fault": {"faults": ("gap",)},
    "body_over_limit": {"state": "over_limit", "body_c": 121.0},
    "oil_over_limit": {"oil_c": 131.0, "oil_limit_c": 130.0},
    "heat_rising": {"forecast_kind": "reaches", "to_limit_low_s": 600.0},
    "coverage_lost": {"recent_measured_ratio": 0.89},
    "bottomed": {"recent_bottom_outs_count": 3},
    "damping_lost": {"damping_state": "lost"},
    "charge_leaking": {"gas_leaking": True},
    "disk": {"not_stored_s": 3.1},
    "clock_not_trusted": {"utc_trusted": False},
}
"""What raises each kind."""
EDGES = {
    "body_over_limit": {"body_c": 118.5},
    "oil_over_limit": {"oil_c": 128.5, "oil_limit_c": 130.0},
    "heat_rising": {"forecast_kind": "reaches", "to_limit_low_s": 899.0},
    "coverage_lost": {"recent_measured_ratio": 0.94},
    "bottomed": {"recent_bottom_outs_count": 1},
}
"""What doesn't raise it, yet keeps it once it is raised."""
NOBODY_KNOWS = {
    "damper_fault": {"unit_id": ""},
    "body_over_limit": {"body_c": None},
    "oil_over_limit": {"oil_c": None, "oil_limit_c": 130.0},
    "heat_rising": {"state": "over_limit", "body_c": 130.0},
    "coverage_lost": {"recent_measured_ratio": None, "has_ten_minutes": False},
    "bottomed": {"recent_bottom_outs_count": 0, "has_five_minutes": False},
    "damping_lost": {"damping_state": "unknown"},
    "charge_leaking": {"gas_leaking": None},
}


def of(kind, found):
    """Return the (second, state) of a kind alone: some conditions bring another with them."""
    return [(second, state) for second, what, state in found if what == kind]


@pytest.mark.parametrize("kind", SURE)
def test_it_is_raised_once_it_has_held_and_cleared_once_it_was_gone_for_long_enough(kind):
    rule = RULES[kind]
    hold_s, clear_s = int(rule.hold_s), int(rule.clear_s)
    steps = [(n, vehicle(**HOLDS[kind])) for n in range(hold_s + 5)]
    gone_s = steps[-1][0] + 1
    steps += [(n, vehicle()) for n in range(gone_s, gone_s + clear_s + 5)]
    assert of(kind, run(AlertBook(), *steps)) == [(hold_s, "raised"), (gone_s + clear_s, "cleared")]


@pytest.mark.parametrize("kind", [kind for kind in SURE if RULES[kind].hold_s])
def test_a_single_reading_is_none(kind):
    steps = [(n, vehicle(**HOLDS[kind]) if n % 2 else vehicle()) for n in range(1300)]
    assert of(kind, run(AlertBook(), *steps)) == []


@pytest.mark.parametrize("kind", [kind for kind in SURE if RULES[kind].clear_s])
def test_what_comes_and_goes_is_one_alert(kind):
    steps = [(n, vehicle(**HOLDS[kind])) for n in range(int(RULES[kind].hold_s) + 1)]
    begin_s = steps[-1][0]
    steps += [(begin_s + n, vehicle() if n % 2 else vehicle(**HOLDS[kind])) for n in range(1, 200)]
    assert [state for _, state in of(kind, run(AlertBook(), *steps))] == ["raised"]


@pytest.mark.parametrize("kind", EDGES)
def test_at_its_edge_it_is_kept_but_not_raised(kind):
    edge = [(n, vehicle(**EDGES[kind])) for n in range(200)]
    assert of(kind, run(AlertBook(), *edge)) == []
    steps = [(n, vehicle(**HOLDS[kind])) for n in range(20)] + [(20 + n, shot) for n, shot in edge]
    assert [state for _, state in of(kind, run(AlertBook(), *steps))] == ["raised"]


@pytest.mark.parametrize("kind", NOBODY_KNOWS)
def test_what_nobody_knows_neither_raises_nor_clears(kind):
    """A thermocouple that opens is no good news."""
    unknown = [(n, vehicle(**NOBODY_KNOWS[kind])) for n in range(400)]
    assert of(kind, run(AlertBook(), *unknown)) == []
    steps = [(n, vehicle(**HOLDS[kind])) for n in range(20)] + [(20 + n, shot) for n, shot in unknown]
    assert [state for _, state in of(kind, run(AlertBook(), *steps))] == ["raised"]


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("heat_rising", {"forecast_kind": "reaches", "to_limit_low_s": 601.0}),
        ("heat_rising", {"forecast_kind": "near_limit", "to_limit_low_s": 60.0}),
        ("heat_rising", {"forecast_kind": "reaches", "to_limit_low_s": None}),
        ("heat_rising", {"forecast_kind": "holds"}),
        ("oil_over_limit", {"oil_c": 400.0, "oil_limit_c": None}),
        ("coverage_lost", {"recent_measured_ratio": 0.9}),
        ("bottomed", {"recent_bottom_outs_count": 2}),
        ("damping_lost", {"damping_state": "learning"}),
        ("charge_leaking", {"gas_leaking": False}),
        ("disk", {"not_stored_s": 3.0}),
    ],
)
def test_what_is_not_enough_raises_nothing(kind, changes):
    assert of(kind, run(AlertBook(), *[(n, vehicle(**changes)) for n in range(700)])) == []


def test_a_hot_body_raises_without_any_forecast():
    steps = [(n, vehicle(state="hot", body_c=113.0)) for n in range(12)]
    assert run(AlertBook(), *steps) == [(10, "heat_rising", "raised")]


def test_a_hot_body_is_cleared_only_when_it_has_cooled_two_kelvin_more():
    hot, edge, cool = (vehicle(state=s, body_c=c) for s, c in (("hot", 112.5), ("warm", 110.5), ("warm", 109.5)))
    steps = [
        *[(n, hot) for n in range(12)],
        *[(n, edge) for n in range(12, 200)],
        *[(n, cool) for n in range(200, 240)],
    ]
    assert run(AlertBook(), *steps) == [(10, "heat_rising", "raised"), (230, "heat_rising", "cleared")]


def test_a_limit_that_is_passed_does_not_raise_that_it_comes_near():
    steps = [(n, vehicle(state="over_limit", body_c=125.0)) for n in range(30)]
    assert run(AlertBook(), *steps) == [(2, "body_over_limit", "raised")]


def test_damping_that_begins_to_be_learned_anew_is_no_longer_lost():
    """Another damper, or a service."""
    steps = [(n, vehicle(damping_state="lost")) for n in range(6)]
    steps += [(n, vehicle(damping_state="learning")) for n in range(6, 40)]
    assert run(AlertBook(), *steps) == [(5, "damping_lost", "raised"), (36, "damping_lost", "cleared")]


def test_a_vehicle_that_stands_for_ten_minutes_has_lost_no_coverage():
    steps = [(n, vehicle(recent_measured_ratio=0.5, has_ten_minutes=True)) for n in range(11)]
    steps += [(n, vehicle(recent_measured_ratio=None, has_ten_minutes=True)) for n in range(11, 60)]
    assert run(AlertBook(), *steps) == [(10, "coverage_lost", "raised"), (41, "coverage_lost", "cleared")]


def test_two_faults_of_two_dampers_are_told_apart():
    two = vehicle(faults=("travel_open", "thermocouple_open"))
    two.dampers["rear_right"] = replace(two.dampers["rear_right"], faults=("gap",))
    book = AlertBook()
    found = [row for n in (0, 2) for row in book.take(two, n * S, (1, n * S), None)]
    assert [(row.kind, row.position, row.subject) for row in found] == [
        ("damper_fault", "front_left", "thermocouple_open"),
        ("damper_fault", "front_left", "travel_open"),
        ("damper_fault", "rear_right", "gap"),
    ]


def test_a_position_that_is_no_longer_there_has_no_alerts():
    book = AlertBook()
    run(book, *[(n, vehicle(faults=("gap",))) for n in range(3)])
    gone = vehicle()
    del gone.dampers["front_left"]
    assert run(book, (3, gone), (5, gone)) == [(5, "damper_fault", "cleared")]


def everything_wrong():
    return vehicle(**{name: value for changes in HOLDS.values() for name, value in changes.items()})


def test_every_kind_says_what_is_the_matter_and_what_can_be_done_in_one_line():
    book, rows = AlertBook(), []
    steps = [everything_wrong(), vehicle(state="hot", body_c=115.0)]
    for shot, first in zip(steps, (0, 700), strict=True):
        for n in range(650):
            rows += [row for row in book.take(shot, (first + n) * S, (4, n), (4, 7)) if row.cleared is None]
    assert {row.kind for row in rows} == set(SURE)
    for row in rows:
        assert 0 < len(row.text) <= 300
        assert 0 < len(row.remedy) <= 300
        assert row.text.isprintable()
        assert row.remedy.isprintable()
        assert row.level in (ADVICE, ACT_NOW)
        assert row.trip == (4, 7)
        assert "driver should" not in row.remedy
        assert say_over((row.kind, row.position or "", row.subject or "")) not in (row.text, "")
    assert {row.kind for row in rows if row.level == ACT_NOW} == {"body_over_limit", "oil_over_limit", "damping_lost"}
    assert len({row.alert_id for row in rows}) == len(rows)


def test_figures_and_sentences_of_the_snapshot_are_in_the_words():
    changes = {
        "recent_bottom_outs_count": 4, "trip_bottom_outs_count": 11, "recent_measured_ratio": 0.713,
        "forecast_kind": "reaches", "to_limit_low_s": 240.0, "forecast_text": "body reaches 120 °C in 4 to 9 min",
        "damping_state": "lost", "damping_text": "turns 62 % of its motion into heat", "gas_leaking": True,
    }  # fmt: skip
    book = AlertBook()
    texts = {r.kind: r.text for n in range(12) for r in book.take(vehicle(**changes), n * S, (1, 0), None)}
    assert texts["bottomed"] == "front left: 4 bottom-outs in 5 minutes, 11 in this trip"
    assert texts["coverage_lost"] == "front left: only 71 % of its motion of the last 10 minutes was measured"
    assert texts["heat_rising"] == "front left: body reaches 120 °C in 4 to 9 min"
    assert texts["damping_lost"] == "front left: turns 62 % of its motion into heat"
    assert texts["charge_leaking"].startswith("front left: ")


def test_heat_that_hurts_never_meets_water_and_pressure_is_never_opened():
    assert "never with water" in RULES["body_over_limit"].remedy
    assert "never with water" in RULES["oil_over_limit"].remedy
    assert "don't open it" in RULES["charge_leaking"].remedy
    assert all("qualified" in RULES[kind].remedy for kind in ("damping_lost", "charge_leaking"))


def test_text_from_outside_is_cut_to_a_printable_line():
    shot = vehicle(not_stored_s=9.0)
    shot.source_text = "disk\x00full\n" + "x" * 900
    (row,) = AlertBook().take(shot, 0, (1, 0), None)
    assert row.text.isprintable()
    assert len(row.text) == 300


def test_nothing_wrong_raises_nothing():
    assert run(AlertBook(), *[(n, NOTHING_WRONG) for n in range(1000)]) == []


def test_same_moments_same_alerts():
    """Nothing but what is handed in decides."""
    numbers = itertools.count()

    def book():
        return AlertBook(new_id=lambda: f"{next(numbers)}")

    steps = [(n, everything_wrong() if n % 97 > 40 else vehicle()) for n in range(800)]
    first, second = run(book(), *steps), run(book(), *steps)
    assert first == second
    assert len(first) > 20
