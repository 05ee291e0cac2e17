"""Who is told of what, and when: conditions raised once, cleared once, never for a single reading."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace

import pytest

from dutylog.publish.alerts import KINDS, AlertWatch
from dutylog.publish.output import OutputHealth
from dutylog.publish.points import Moment
from web.samples import damper_now, snapshot

S = 1_000_000_000


def watch(kept=None):
    numbers = itertools.count(1)
    return AlertWatch(kept, new_id=lambda: f"id-{next(numbers)}")


def vehicle(**changes):
    return replace(snapshot(), dampers=(damper_now("front_left", **changes), damper_now("rear_right")))


def run(one, *steps):
    """Feed (second, snapshot, outputs) and return (second, kind, position, subject, state) of what came."""
    found = []
    for second, shot, *outputs in steps:
        moment = Moment("boot", second * S, None)
        found += [(second, a.kind, a.position, a.subject, a.state) for a in one.take(shot, outputs, moment)]
    return found


FAULT = {"faults": ("travel_open",), "state": "no_travel", "state_text": "check the travel sensor"}


def test_a_fault_is_raised_after_two_seconds_and_cleared_two_after_it_went():
    found = run(watch(), *[(n, vehicle(**FAULT)) for n in range(5)], *[(n, vehicle()) for n in range(5, 10)])
    assert found == [
        (2, "damper_fault", "front_left", "travel_open", "raised"),
        (7, "damper_fault", "front_left", "travel_open", "cleared"),
    ]


def test_a_fault_of_one_reading_is_none():
    """Spikes come and go."""
    steps = [(n, vehicle(**FAULT) if n % 2 else vehicle()) for n in range(20)]
    assert run(watch(), *steps) == []


def test_a_fault_that_flickers_is_one_alert():
    steps = [(0, vehicle(**FAULT)), (1, vehicle(**FAULT)), (2, vehicle(**FAULT))]
    steps += [(n, vehicle() if n % 2 else vehicle(**FAULT)) for n in range(3, 20)]
    assert [state for *_, state in run(watch(), *steps)] == ["raised"]


def test_two_faults_of_two_dampers_are_told_apart():
    left = damper_now("front_left", faults=("travel_open", "thermocouple_open"))
    shot = replace(snapshot(), dampers=(left, damper_now("rear_right", faults=("gap",))))
    assert [row[1:4] for row in run(watch(), (0, shot), (2, shot))] == [
        ("damper_fault", "front_left", "thermocouple_open"),
        ("damper_fault", "front_left", "travel_open"),
        ("damper_fault", "rear_right", "gap"),
    ]


def test_a_hot_body_is_told_and_cleared_only_when_it_has_cooled():
    """At the limit it must not flutter."""
    hot, edge, cool = vehicle(body_c=121.0), vehicle(body_c=118.5), vehicle(body_c=117.0)
    steps = [(0, hot), (2, hot), (3, edge), (9, edge), (10, cool), (12, cool)]
    assert run(watch(), *steps) == [
        (2, "body_over_limit", "front_left", None, "raised"),
        (12, "body_over_limit", "front_left", None, "cleared"),
    ]


def test_a_thermocouple_that_opens_does_not_clear_a_hot_body():
    hot, open_ = vehicle(body_c=125.0), vehicle(body_c=None)
    assert run(watch(), (0, hot), (2, hot), (3, open_), (60, open_)) == [
        (2, "body_over_limit", "front_left", None, "raised")
    ]


def test_a_disk_that_takes_nothing_is_told():
    stands = replace(snapshot(), standing_s=3.5)
    brief = replace(snapshot(), standing_s=2.0)
    found = run(watch(), (0, brief), (2, brief), (3, stands), (4, stands), (5, snapshot()), (7, snapshot()))
    assert found == [(3, "disk", None, None, "raised"), (7, "disk", None, None, "cleared")]


@pytest.mark.parametrize("name", ["standing_s", "not_storing_s", "unsaved_s"])
def test_whatever_the_disk_does_not_take_is_told(name):
    assert run(watch(), (0, replace(snapshot(), **{name: 3.5})))[0][1] == "disk"


def test_a_date_nobody_vouches_for_is_told_after_ten_minutes():
    untrusted = replace(snapshot(), utc_trusted=False)
    steps = [(n, untrusted) for n in (0, 300, 599, 600, 700)] + [(701, snapshot()), (703, snapshot())]
    assert run(watch(), *steps) == [
        (600, "clock_not_trusted", None, None, "raised"), (703, "clock_not_trusted", None, None, "cleared"),
    ]  # fmt: skip


def health(name, is_refused=False):
    return OutputHealth(name, 30.0, 1.0, True, True, is_refused, "wrong password" if is_refused else "")


def test_an_output_that_refuses_us_is_told_even_while_core_is_silent():
    found = run(
        watch(),
        (0, None, health("mqtt", True), health("influxdb")),
        (1, None, health("mqtt")),
        (3, None, health("mqtt")),
    )
    assert found == [(0, "output_refused", None, "mqtt", "raised"), (3, "output_refused", None, "mqtt", "cleared")]


def test_silence_of_core_clears_nothing():
    """No word is no good news."""
    one = watch()
    run(one, (0, vehicle(**FAULT)), (2, vehicle(**FAULT)))
    assert run(one, *[(n, None) for n in range(3, 60)]) == []
    assert run(one, (60, vehicle()), (61, None), (62, vehicle()), (63, vehicle()), (64, vehicle())) == [
        (64, "damper_fault", "front_left", "travel_open", "cleared")
    ]


def test_what_is_open_survives_a_restart_and_is_not_raised_twice():
    one = watch()
    run(one, (0, vehicle(**FAULT)), (2, vehicle(**FAULT)))
    two = watch(one.kept())
    assert run(two, (10, vehicle(**FAULT)), (20, vehicle(**FAULT)), (21, vehicle()), (23, vehicle())) == [
        (23, "damper_fault", "front_left", "travel_open", "cleared")
    ]


@pytest.mark.parametrize("kept", ["", "x", "[1]", "{}", '["a"]', "null", "[" * 9999, '[["a","b"]]', '{"a":1}'])
def test_a_note_that_cannot_be_read_counts_as_none(kept):
    assert run(watch(kept), (0, vehicle(**FAULT)), (2, vehicle(**FAULT)))[0][1] == "damper_fault"


def test_same_snapshots_same_alerts():
    """Nothing but what is handed in decides."""
    steps = [(n, vehicle(**FAULT) if n % 7 > 2 else vehicle(body_c=100.0 + n)) for n in range(60)]
    first, second = run(watch(), *steps), run(watch(), *steps)
    assert first == second
    assert len(first) > 4


def test_texts_are_one_line_with_a_remedy():
    one = watch()
    shot = replace(vehicle(body_c=130.0, faults=("gap",)), standing_s=9.0, utc_trusted=False)
    alerts = []
    for second in (0, 2, 601):
        alerts += one.take(shot, [health("mqtt", True)], Moment("b", second * S, 7))
    assert {a.kind for a in alerts} == set(KINDS)
    for alert in alerts:
        assert alert.text
        assert alert.remedy
        assert "\n" not in alert.text + alert.remedy
        assert (alert.boot_id, alert.utc_ns) == ("b", 7)
    assert len({a.id for a in alerts}) == len(alerts)
    assert len(json.loads(one.kept())) == len(alerts)
