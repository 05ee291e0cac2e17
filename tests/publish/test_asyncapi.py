"""shared/asyncapi.yaml is sound, says what TOPICS.md says, and can tell a wrong message."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from dutylog.alerts.rules import KINDS
from dutylog.publish.alerts import Alert
from dutylog.publish.outbox import Counts
from dutylog.publish.topics import (
    StatusNow,
    alert_object,
    duty_object,
    encode,
    live_object,
    status_object,
    vehicle_object,
)
from dutylog.web.publish_watch import STATES
from publish.brokers import Received
from publish.contract import complaints, load
from publish.test_mqtt_output import UNIT, duty
from web.followed import talkative
from web.samples import snapshot

TOPICS = Path(__file__).parents[2] / "shared" / "TOPICS.md"
ALERT = Alert(UNIT, "disk", None, None, "advice", "raised", "text", "remedy", None, "boot", 1.0, None)
OBJECTS = {
    "status": (1, True, status_object("truck", StatusNow("online", link="waiting"), {"mqtt": Counts()})),
    "vehicle": (0, False, vehicle_object(talkative(), ["front_left"], 5.0)),
    "live/front_left": (0, False, live_object(snapshot(), talkative().dampers[0], 5)),
    f"duty/{UNIT}": (1, True, duty_object(duty(3))),
    "alert": (1, False, alert_object(ALERT)),
}


def message(name, changes=None, topic=None, **fields):
    qos, is_retained, value = OBJECTS[name]
    values = {"qos": qos, "is_retained": is_retained, "is_dup": False} | fields
    return Received(topic or f"dutylog/v1/truck/{name}", encode(value | (changes or {})), **values)


def test_schemas_are_schemas():
    for schema in load()["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("name", OBJECTS)
def test_what_we_make_is_as_described(name):
    assert complaints([message(name)]) == []


@pytest.mark.parametrize("name", OBJECTS)
def test_every_field_is_described_and_required(name):
    """A field that is added, renamed or left out is seen."""
    schema = load()["components"]["schemas"][name.split("/")[0]]
    assert set(schema["properties"]) == set(schema["required"]) == set(OBJECTS[name][2])
    assert complaints([message(name, {"new_field": 1})])
    for field in OBJECTS[name][2]:
        qos, is_retained, value = OBJECTS[name]
        payload = encode({key: part for key, part in value.items() if key != field})
        assert complaints([Received(f"dutylog/v1/truck/{name}", payload, qos, is_retained, False)])


@pytest.mark.parametrize(
    "wrong",
    [
        message("status", {"state": "asleep"}),
        message("status", {"outputs": {"pigeon": {}}}),
        message("status", qos=0),
        message("alert", is_retained=True),
        message("alert", {"kind": "weather"}),
        message("alert", {"level": "panic"}),
        message(f"duty/{UNIT}", {"energy_total_j": "12"}),
        message(f"duty/{UNIT}", {"strokes_total_count": 1.5}),
        message(f"duty/{UNIT}", {"strokes_total_count": -1}),
        message("live/front_left", {"state": "splendid"}),
        message("vehicle", {"positions": ["a", "a"]}),
        message("vehicle", {"vehicle": {"id": "truck"}}),
        message(
            "vehicle", {"devices": [{"name": "bridge", "state": "working", "text": "", "channels": [], "counters": {}}]}
        ),
        message("vehicle", is_retained=True),
        message("status", topic="dutylog/v1/truck/weather"),
        message("status", topic="dutylog/v2/truck/status"),
        message("live/front_left", topic="dutylog/v1/truck/live/a/b"),
    ],
    ids=lambda wrong: wrong.topic,
)
def test_a_wrong_message_is_seen(wrong):
    """Else the run against a real broker would prove nothing."""
    assert complaints([wrong])


def section(title):
    page = TOPICS.read_text(encoding="utf-8")
    return page.split(f"### {title}\n", 1)[1].split("\n## ", 1)[0].split("\n### ", 1)[0]


@pytest.mark.parametrize("name", OBJECTS)
def test_the_page_for_people_names_every_field(name):
    """And nothing that isn't there: every name in the tables is a field."""
    kind = name.split("/")[0]
    text = section(kind)
    rows = re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", text, re.MULTILINE)
    in_rows = {field for row in rows for field in re.findall(r"`(\w+)`", row)} - set(KINDS) - {"kind"}
    fields = set(OBJECTS[name][2])
    if kind == "live":
        assert {field for field in fields - {"schema", "engine"} if f"`{field}`" not in text} == set()
    else:
        assert fields - {"schema", "engine"} <= in_rows | {"kind"}
        assert in_rows <= fields


def test_the_page_names_every_alert_topic_and_state():
    page = TOPICS.read_text(encoding="utf-8")
    assert set(
        re.findall(r"^\| `(\w+)` \| ", page.split("| `kind` | raised", 1)[1].split("\n\n", 1)[0], re.MULTILINE)
    ) == set(KINDS)
    assert all(f"**{state}**" in page for state in STATES)
    for name in OBJECTS:
        kind = name.split("/")[0]
        assert re.search(
            rf"^\| `{kind}[/{{}}\w]*` \| {OBJECTS[name][0]} \| {'yes' if OBJECTS[name][1] else 'no'} \|",
            page,
            re.MULTILINE,
        )


def test_the_page_names_every_field_of_health():
    from dutylog.publish.health import HealthView
    from dutylog.publish.output import OutputHealth

    class Thread:
        class output:  # noqa: N801
            health = staticmethod(lambda: OutputHealth("mqtt", 30.0, 1.0, True, True))

        last_failure = ""
        restarts_count = 0
        is_alive = staticmethod(lambda: True)

    class Intake:
        connected, last_problem, ledger_problem, dropped_count = True, "", "", 0
        link = staticmethod(lambda: "live")

    class Box:
        damaged_count = 0
        counts = staticmethod(lambda _name: Counts())

    value = HealthView(Intake, Box, [Thread], lambda: 1).object()
    page = TOPICS.read_text(encoding="utf-8").split("## Health", 1)[1]
    rows = {
        f
        for row in re.findall(r"^\| ((?:`[\w\[\].]+`(?:, )?)+) \|", page, re.MULTILINE)
        for f in re.findall(r"`([^`]+)`", row)
    }
    fields = set(value) | {f"outputs[].{name}" for name in value["outputs"][0]}
    assert rows == fields
    assert json.dumps(value)


def test_numbers_that_are_not_finite_become_null():
    assert json.loads(encode({"a": float("nan"), "b": [float("inf"), 1.5], "c": {"d": float("-inf")}})) == {
        "a": None, "b": [None, 1.5], "c": {"d": None},
    }  # fmt: skip
