"""The dashboards: made from code, and every query of theirs run against a real database gives the ledger's figures."""

from __future__ import annotations

import importlib.util
import json
import math
import re
import sys
from collections import defaultdict
from pathlib import Path

import pytest
import yaml

from dashboards.demo_data import LIVE_S, OTHERS, VEHICLE, with_others
from dutylog.duty.totals import Totals
from dutylog.publish.duty_fields import life_fields, trip_fields
from dutylog.publish.influx import InfluxServer
from dutylog.units import NS_PER_S
from publish.influx_servers import ORG, TOKEN

FOLDER = Path(__file__).parents[2] / "dashboards"
NAMES = ("live.json", "trips.json", "duty.json")
LIVE_FIELDS = ("body_c", "body_max_c", "heat_w", "heat_max_w", "speed_rms_mps", "measured_ratio", "samples_count")
FIELDS = {
    "live": LIVE_FIELDS,
    "duty": (*life_fields(Totals()), "revision", "seq", "label"),
    "trip": tuple(trip_fields(Totals(), None)),
}
TAGS = {
    "live": ("vehicle", "position", "unit"),
    "duty": ("vehicle", "position", "unit"),
    "trip": ("vehicle", "position", "unit", "trip"),
}
UNASKED_TAGS = {("live", "unit"), ("trip", "unit")}
"""Tags that keep points apart, but that no dashboard asks for."""


def read(name):
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))


def panels():
    return {(name, panel["title"]): panel for name in NAMES for panel in read(name)["panels"]}


# made from code


def load_generator():
    spec = importlib.util.spec_from_file_location("dashboard_generator", FOLDER / "generate.py")
    module = importlib.util.module_from_spec(spec)
    # dataclasses look their module up by name
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_files_are_what_the_generator_makes():
    """Nobody edits JSON of this size by hand and gets away with it: `make dashboards`."""
    texts = load_generator().all_texts()
    assert set(texts) == set(NAMES) == {path.name for path in FOLDER.glob("*.json")}
    for name, text in texts.items():
        assert (FOLDER / name).read_text(encoding="utf-8") == text


@pytest.mark.parametrize("name", NAMES)
def test_a_dashboard_is_whole(name):
    """Ids apart, our data source everywhere, panels within the grid and not over one another."""
    board = read(name)
    assert board["uid"].startswith("dutylog-")
    assert len({panel["id"] for panel in board["panels"]}) == len(board["panels"]) >= 3
    sources = [panel["datasource"] for panel in board["panels"]]
    sources += [target["datasource"] for panel in board["panels"] for target in panel["targets"]]
    sources += [variable["datasource"] for variable in board["templating"]["list"]]
    assert {(source["type"], source["uid"]) for source in sources} == {("influxdb", "dutylog")}
    cells = [
        (x, y)
        for p in board["panels"]
        for x in range(p["gridPos"]["x"], p["gridPos"]["x"] + p["gridPos"]["w"])
        for y in range(p["gridPos"]["y"], p["gridPos"]["y"] + p["gridPos"]["h"])
    ]
    assert len(set(cells)) == len(cells)
    assert max(x for x, _ in cells) < 24
    assert all(panel["description"] for panel in board["panels"])


def test_provisioning_fits_the_dashboards_and_holds_no_secret():
    """The token is the server's environment's business."""
    (source,) = yaml.safe_load((FOLDER / "provisioning/datasources/dutylog.yaml").read_text())["datasources"]
    assert (source["type"], source["uid"], source["jsonData"]["version"]) == ("influxdb", "dutylog", "InfluxQL")
    assert source["jsonData"]["httpHeaderName1"] == "Authorization"
    assert source["secureJsonData"] == {"httpHeaderValue1": "Token $DUTYLOG_INFLUX_TOKEN"}
    assert (source["url"], source["jsonData"]["dbName"]) == ("$DUTYLOG_INFLUX_URL", "$DUTYLOG_INFLUX_BUCKET")
    (provider,) = yaml.safe_load((FOLDER / "provisioning/dashboards/dutylog.yaml").read_text())["providers"]
    assert (provider["type"], provider["options"]) == ("file", {"path": "$DUTYLOG_DASHBOARDS"})
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    variables = {
        name
        for path in FOLDER.glob("provisioning/*/*.yaml")
        for name in re.findall(r"\$(\w+)", path.read_text(encoding="utf-8"))
    }
    assert len(variables) == 4
    assert all(f"`{name}`" in readme for name in variables)


# every query against the real database


def ask(server, database, panel, demo):
    """Run a panel's query as Grafana would; returns {tags: [(time, values by column)]} without rows of nulls."""
    (target,) = panel["targets"]
    assert target["rawQuery"]
    first_ms = demo.start_utc_ns // 10**6 - 60_000
    text = target["query"]
    for variable, value in (
        ("$timeFilter", f"time >= {first_ms}ms and time <= {first_ms + 7_200_000}ms"),
        ("$__interval", panel.get("interval") or "none"),
        ("${vehicle:regex}", re.escape(VEHICLE)),
    ):
        text = text.replace(variable, value)
    assert "$" not in text.replace("$/", "")
    found = {}
    for series in server.query(text, database):
        names = series["columns"][1:]
        rows = [(row[0], dict(zip(names, row[1:], strict=True))) for row in series["values"]]
        rows = [row for row in rows if any(value is not None for value in row[1].values())]
        if rows:
            found[tuple(sorted(series.get("tags", {}).items()))] = rows
    return found


def windows_of(demo):
    """Return ten seconds of readings at a time, by position, from what the engine showed; made here anew."""
    found = defaultdict(list)
    for start in range(0, len(demo.lives), LIVE_S):
        part = demo.lives[start : start + LIVE_S]
        for row, damper in enumerate(part[0].dampers):
            readings = [live.dampers[row] for live in part]
            bodies = [d.body_c for d in readings if d.body_c is not None]
            heats = [d.heat_w for d in readings if d.heat_w is not None]
            speeds = [d.speed_rms_mps for d in readings if d.speed_rms_mps is not None]
            fields = {
                "body_c": math.fsum(bodies) / len(bodies),
                "body_max_c": max(bodies),
                "heat_w": math.fsum(heats) / len(heats),
                "heat_max_w": max(heats),
                "speed_rms_mps": math.sqrt(math.fsum(v * v for v in speeds) / len(speeds)),
                "measured_ratio": 1.0,
                "samples_count": len(readings),
            }
            found[damper.position].append((demo.start_utc_ns + start * NS_PER_S, fields))
    return found


def expect_live_table(demo):
    expected = {}
    for position, windows in windows_of(demo).items():
        last = windows[-1][1]
        row = dict(last) | {
            "body_max_c": max(f["body_max_c"] for _, f in windows),
            "heat_max_w": max(f["heat_max_w"] for _, f in windows),
            "samples_count": len(demo.lives),
        }
        expected[(("position", position),)] = [row]
    return expected


def expect_live_lines(field):
    def expect(demo):
        return {
            (("position", position),): [(utc_ns, {"max": fields[field]}) for utc_ns, fields in windows]
            for position, windows in windows_of(demo).items()
        }

    return expect


def shares(demo):
    return [(trip, share) for trip in reversed(demo.ledger.trips) for share in trip.row.dampers]


def expect_trip_table(demo):
    rows = []
    for trip, share in shares(demo):
        t = share.totals
        fields = {
            "trip": str(trip.number),
            "position": share.position,
            "energy_j": (t.energy_compression_uj + t.energy_rebound_uj) / 1e6,
            "strokes_count": t.strokes_count,
            "shaft_travel_m": t.shaft_travel_um / 1e6,
            "bottom_outs_count": t.bottom_outs_count,
            "peak_body_c": t.peak_body_mc / 1e3,
            "moving_s": t.moving_us / 1e6,
            "coverage_ratio": (t.moving_measured_us / 1e6) / (t.moving_us / 1e6),
            "distance_m": trip.row.distance_m,
        }
        rows.append((trip.start_utc_ns, fields))
    return {(): rows}


def expect_trip_bars(field, value):
    def expect(demo):
        return {
            (("position", share.position), ("trip", str(trip.number))): [
                (trip.start_utc_ns, {field: value(share.totals)})
            ]
            for trip, share in shares(demo)
        }

    return expect


def expect_duty_table(demo):
    return {
        (("unit", unit.unit_id),): [
            {
                "energy_total_j": (unit.totals.energy_compression_uj + unit.totals.energy_rebound_uj) / 1e6,
                "energy_compression_total_j": unit.totals.energy_compression_uj / 1e6,
                "energy_rebound_total_j": unit.totals.energy_rebound_uj / 1e6,
                "strokes_total_count": unit.totals.strokes_count,
                "compression_strokes_total_count": unit.totals.compression_strokes_count,
                "shaft_travel_total_m": unit.totals.shaft_travel_um / 1e6,
                "stroke_travel_total_m": unit.totals.stroke_travel_um / 1e6,
                "bottom_outs_total_count": unit.totals.bottom_outs_count,
                "measured_total_s": unit.totals.measured_us / 1e6,
                "unmeasured_total_s": unit.totals.unmeasured_us / 1e6,
                "moving_total_s": unit.totals.moving_us / 1e6,
                "moving_measured_total_s": unit.totals.moving_measured_us / 1e6,
                "peak_compression_mps": unit.totals.peak_compression_umps / 1e6,
                "peak_rebound_mps": unit.totals.peak_rebound_umps / 1e6,
                "peak_body_c": unit.totals.peak_body_mc / 1e3,
                "revision": unit.revision,
                "seq": unit.sequence,
                "label": unit.serial,
            }
        ]
        for unit in demo.ledger.units
    }


def expect_duty_lines(value):
    def expect(demo):
        found = defaultdict(list)
        for utc_ns, ledger in demo.ledgers:
            for unit in ledger.units:
                minute_ns = utc_ns // (60 * NS_PER_S) * (60 * NS_PER_S)
                found[(("position", unit.position), ("unit", unit.unit_id))].append(
                    (minute_ns, {"max": value(unit.totals)})
                )
        return dict(found)

    return expect


EXPECTED = {
    ("live.json", "Dampers"): expect_live_table,
    ("live.json", "Body temperature"): expect_live_lines("body_max_c"),
    ("live.json", "Heat going in"): expect_live_lines("heat_max_w"),
    ("live.json", "Shaft speed"): expect_live_lines("speed_rms_mps"),
    ("trips.json", "Trips"): expect_trip_table,
    ("trips.json", "Heat by trip"): expect_trip_bars(
        "energy_j", lambda t: (t.energy_compression_uj + t.energy_rebound_uj) / 1e6
    ),
    ("trips.json", "Bottom-outs by trip"): expect_trip_bars("bottom_outs_count", lambda t: t.bottom_outs_count),
    ("duty.json", "Dampers"): expect_duty_table,
    ("duty.json", "Heat"): expect_duty_lines(lambda t: (t.energy_compression_uj + t.energy_rebound_uj) / 1e6),
    ("duty.json", "Shaft travel"): expect_duty_lines(lambda t: t.shaft_travel_um / 1e6),
    ("duty.json", "Strokes"): expect_duty_lines(lambda t: t.strokes_count),
}
"""What each panel must show; a panel without an entry here fails the tests."""


def store(server, database, lines):
    with InfluxServer(server.url, ORG, database, TOKEN) as adapter:
        adapter.write(with_others(lines))


def check_panel(server, database, key, panel, demo):
    """AssertionError unless the panel shows exactly what it must."""
    expected = EXPECTED[key](demo)
    found = ask(server, database, panel, demo)
    if any(isinstance(row, dict) for rows in expected.values() for row in rows):
        # A row of several selectors has no time that means anything.
        found = {tags: [row[1] for row in rows] for tags, rows in found.items()}
    if key == ("trips.json", "Trips"):
        order = [(row[0], row[1]["trip"], row[1]["position"]) for row in found[()]]
        assert [time for time, _, _ in order] == sorted(time for time, _, _ in order)
        found[()].sort(key=lambda row: (row[1]["trip"], row[1]["position"]))
        expected[()].sort(key=lambda row: (row[1]["trip"], row[1]["position"]))
    assert found == expected


def test_every_panel_has_an_expectation():
    """A query nobody checks is a query that breaks in silence."""
    assert set(panels()) == set(EXPECTED)


def test_the_demo_did_something(demo):
    """All the comparisons below would hold on nothing."""
    assert len(demo.ledger.trips) == 2
    assert len(demo.lives) > 60
    assert min(unit.totals.strokes_count for unit in demo.ledger.units) > 100
    for unit, before in zip(demo.ledger.units, demo.ledgers[0][1].units, strict=True):
        assert unit.totals.energy_uj > before.totals.energy_uj > 0


@pytest.mark.parametrize("key", EXPECTED, ids=lambda key: f"{key[0]} {key[1]}")
def test_a_query_returns_the_ledgers_exact_values(real_influx, database, demo, key):
    """To the last bit, with other vehicles in the same database."""
    store(real_influx, database, demo.lines)
    check_panel(real_influx, database, key, panels()[key], demo)


@pytest.mark.parametrize("name", NAMES)
def test_the_choice_of_a_vehicle_offers_each_one(real_influx, database, demo, name):
    store(real_influx, database, demo.lines)
    (variable,) = read(name)["templating"]["list"]
    (series,) = real_influx.query(variable["query"], database)
    assert [value for _, value in series["values"]] == sorted([VEHICLE, *OTHERS])


@pytest.mark.parametrize("name", NAMES)
def test_names_and_units_are_given_to_columns_that_are_there(real_influx, database, demo, name):
    """An override for a column that doesn't exist does nothing, in silence."""
    store(real_influx, database, demo.lines)
    for panel in read(name)["panels"]:
        overridden = {override["matcher"]["options"] for override in panel["fieldConfig"]["overrides"]}
        columns = {c for rows in ask(real_influx, database, panel, demo).values() for _, row in rows for c in row}
        assert overridden <= columns | {"Time"}
        assert bool(overridden) == (panel["type"] == "table")


def fields_in(lines):
    found = defaultdict(set)
    for line in lines:
        head, fields, _ = line.decode().split(" ")
        found[head.split(",")[0]] |= {field.split("=")[0] for field in fields.split(",")}
    return dict(found)


def test_the_lists_of_fields_are_complete(demo):
    """What the renaming below goes through is what is published."""
    assert fields_in(demo.lines) == {name: set(fields) for name, fields in FIELDS.items()}


def renamed(lines, measurement, name):
    """Return the lines with one field or tag of one measurement under another name."""
    start, count = measurement.encode() + b",", 0
    made = []
    for line in lines:
        if line.startswith(start):
            line, n = re.subn(rb"([ ,])" + name.encode() + b"=", rb"\1was_" + name.encode() + b"=", line, count=1)
            count += n
        made.append(line)
    assert count > 0
    return made


def failing(server, database, demo):
    """Return the panels that don't show what they must, and the choices that offer nothing."""
    found = set()
    for key, panel in panels().items():
        try:
            check_panel(server, database, key, panel, demo)
        except (AssertionError, KeyError):
            found.add(key[0])
    for name in NAMES:
        (variable,) = read(name)["templating"]["list"]
        if not server.query(variable["query"], database):
            found.add(name)
    return found


BOARD_OF = {"live": "live.json", "trip": "trips.json", "duty": "duty.json"}
RENAMES = [(m, name) for m, names in FIELDS.items() for name in names]
RENAMES += [(m, name) for m, names in TAGS.items() for name in names if (m, name) not in UNASKED_TAGS]


@pytest.mark.parametrize(("measurement", "name"), RENAMES)
def test_a_renamed_field_or_tag_is_noticed(real_influx, database, demo, measurement, name):
    """Proof that the comparisons can fail, each for its own field; the other dashboards don't care."""
    lines = renamed(demo.lines, measurement, name)
    with InfluxServer(real_influx.url, ORG, database, TOKEN) as adapter:
        adapter.write(lines)
    assert failing(real_influx, database, demo) == {BOARD_OF[measurement]}
