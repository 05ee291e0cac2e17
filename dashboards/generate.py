"""Makes the dashboards' JSON: `make dashboards`, or `python dashboards/generate.py`. Needs the extra `dev`.

InfluxQL only, and of that only what versions 1, 2 and 3 all know: SELECT with selectors, WHERE, GROUP BY
time and tags, SHOW TAG VALUES. No sum of floats: the order of adding would decide the last digits, and a
figure here is the ledger's own, to the bit. Measurements, tags and fields: shared/TOPICS.md.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from grafana_foundation_sdk.builders import dashboard as dashboards
from grafana_foundation_sdk.builders import table, timeseries
from grafana_foundation_sdk.cog import builder as cogbuilder
from grafana_foundation_sdk.cog import variants
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models import common, dashboard, units

FOLDER = Path(__file__).parent
SOURCE = dashboard.DataSourceRef(type_val="influxdb", uid="dutylog")
"""The uid is the one in provisioning/datasources/dutylog.yaml."""
HERE = '"vehicle" =~ /^${vehicle:regex}$/ AND $timeFilter'


@dataclass(frozen=True)
class Pace:
    """How often points come (shared/TOPICS.md); bridged: gaps up to this are drawn through [ms], True for any."""

    interval: str
    bridged: bool | float


LIVE = Pace("10s", 30_000)
DUTY = Pace("1m", True)  # totals come only when they changed, so a gap means nothing new


class InfluxQuery(variants.Dataquery):
    """A raw InfluxQL query; the SDK has no type of its own for this data source."""

    def __init__(self, text: str, ref_id: str, is_table: bool, alias: str) -> None:
        self.text = text
        self.ref_id = ref_id
        self.is_table = is_table
        self.alias = alias

    def to_json(self) -> dict[str, object]:
        """Return what the panel stores."""
        return {
            "alias": self.alias,
            "datasource": {"type": SOURCE.type_val, "uid": SOURCE.uid},
            "query": self.text,
            "rawQuery": True,
            "refId": self.ref_id,
            "resultFormat": "table" if self.is_table else "time_series",
        }


class QueryBuilder(cogbuilder.Builder[InfluxQuery]):
    """What the SDK's panels take."""

    def __init__(self, query: InfluxQuery) -> None:
        self._query = query

    def build(self) -> InfluxQuery:
        """Return the query."""
        return self._query


@dataclass(frozen=True)
class Column:
    """One column of a table: what is asked, under which name it comes, and how it reads."""

    expression: str
    name: str
    title: str
    unit: str = units.NoUnit


def _text(name: str, value: object) -> dashboard.DynamicConfigValue:
    return dashboard.DynamicConfigValue(id_val=name, value=value)


def make_table(title: str, measurement: str, columns: Sequence[Column], group: str, says: str) -> table.Panel:
    """Return a table of one row for each combination of the tags in `group`, or of each point without one."""
    asked = ", ".join(f'{column.expression} AS "{column.name}"' for column in columns)
    tail = f" GROUP BY {group}" if group else ""
    query = InfluxQuery(f'SELECT {asked} FROM "{measurement}" WHERE {HERE}{tail}', "A", True, "")
    panel = table.Panel().title(title).description(says).datasource(SOURCE).span(24).height(9)
    panel = panel.with_target(QueryBuilder(query))
    if group:
        # The time of a row of several selectors is that of none of them.
        panel = panel.override_by_name("Time", [_text("custom.hidden", True)])
    for column in columns:
        looks = [_text("displayName", column.title), _text("unit", column.unit)]
        panel = panel.override_by_name(column.name, looks)
    return panel


def make_lines(
    title: str, unit: str, expression: str, measurement: str, group: str, alias: str, pace: Pace, says: str
) -> timeseries.Panel:
    """Return curves over time, one for each combination of the tags in `group`."""
    tail = f"GROUP BY time($__interval), {group} fill(null)"
    query = InfluxQuery(f'SELECT {expression} FROM "{measurement}" WHERE {HERE} {tail}', "A", False, alias)
    panel = timeseries.Panel().title(title).description(says).datasource(SOURCE).span(24).height(9).unit(unit)
    return panel.interval(pace.interval).span_nulls(pace.bridged).with_target(QueryBuilder(query))


def make_bars(title: str, unit: str, field: str, says: str) -> timeseries.Panel:
    """Return one bar for each trip and damper, at the start of the trip."""
    query = InfluxQuery(
        f'SELECT "{field}" FROM "trip" WHERE {HERE} GROUP BY "position", "trip"', "A", False, "$tag_position"
    )
    panel = timeseries.Panel().title(title).description(says).datasource(SOURCE).span(24).height(9).unit(unit)
    bars = panel.draw_style(common.GraphDrawStyle.BARS).fill_opacity(60)
    return bars.show_points(common.VisibilityMode.ALWAYS).with_target(QueryBuilder(query))


def begin(title: str, uid: str, measurement: str, since: str, refresh: str, says: str) -> dashboards.Dashboard:
    """Return an empty dashboard with the choice of a vehicle."""
    vehicle = (
        dashboards.QueryVariable("vehicle")
        .label("Vehicle")
        .datasource(SOURCE)
        .query(f'SHOW TAG VALUES FROM "{measurement}" WITH KEY = "vehicle"')
        .refresh(dashboard.VariableRefresh.ON_TIME_RANGE_CHANGED)
        .sort(dashboard.VariableSort.ALPHABETICAL_ASC)
    )
    board = dashboards.Dashboard(title).uid(uid).description(says).tags(["dutylog"]).refresh(refresh)
    return board.time(since, "now").timezone("browser").readonly().with_variable(vehicle)


def live() -> dashboards.Dashboard:
    """Return the dashboard of temperatures and heat as they are."""
    board = begin("Live temperatures", "dutylog-live", "live", "now-1h", "10s", "Body temperatures and heat going in")
    columns = [
        Column('last("body_c")', "body_c", "Body now", units.Celsius),
        Column('max("body_max_c")', "body_max_c", "Hottest in this span", units.Celsius),
        Column('last("heat_w")', "heat_w", "Heat going in", units.Watt),
        Column('max("heat_max_w")', "heat_max_w", "Most heat going in", units.Watt),
        Column('last("speed_rms_mps")', "speed_rms_mps", "Shaft speed, rms", units.MetersPerSecond),
        Column('last("measured_ratio")', "measured_ratio", "Trip measured", units.PercentUnit),
        Column('sum("samples_count")', "samples_count", "Readings"),
    ]
    says = "The newest ten seconds of each damper; empty: not measured. Body and heat are means of ten seconds."
    board.with_panel(make_table("Dampers", "live", columns, '"position"', says))
    wheel = ('"position"', "$tag_position", LIVE)
    says = "Highest body temperature. Under load the oil inside is 10 to 30 K hotter."
    board.with_panel(make_lines("Body temperature", units.Celsius, 'max("body_max_c")', "live", *wheel, says))
    says = "Heat the damper takes up, highest mean of ten seconds."
    board.with_panel(make_lines("Heat going in", units.Watt, 'max("heat_max_w")', "live", *wheel, says))
    unit, says = units.MetersPerSecond, "Root mean square over ten seconds, the highest."
    return board.with_panel(make_lines("Shaft speed", unit, 'max("speed_rms_mps")', "live", *wheel, says))


def trips() -> dashboards.Dashboard:
    """Return the dashboard of what each trip cost each damper."""
    board = begin("Trip duty", "dutylog-trips", "trip", "now-30d", "5m", "What each trip cost each damper")
    columns = [
        Column('"trip"', "trip", "Trip"),
        Column('"position"', "position", "Position"),
        Column('"energy_j"', "energy_j", "Heat", units.Joule),
        Column('"strokes_count"', "strokes_count", "Strokes"),
        Column('"shaft_travel_m"', "shaft_travel_m", "Shaft travel", units.Meter),
        Column('"bottom_outs_count"', "bottom_outs_count", "Bottom-outs"),
        Column('"peak_body_c"', "peak_body_c", "Hottest body", units.Celsius),
        Column('"moving_s"', "moving_s", "Moving", units.DurationSeconds),
        Column('"moving_measured_s" / "moving_s"', "coverage_ratio", "Measured of it", units.PercentUnit),
        Column('"distance_m"', "distance_m", "Distance", units.Meter),
    ]
    says = "One row for each trip and damper, at the trip's start. Measured below 100 %: duty is a lower bound."
    board.with_panel(make_table("Trips", "trip", columns, "", says))
    says = "Energy turned to heat in each trip."
    board.with_panel(make_bars("Heat by trip", units.Joule, "energy_j", says))
    return board.with_panel(make_bars("Bottom-outs by trip", units.NoUnit, "bottom_outs_count", "Count in each trip."))


def duty() -> dashboards.Dashboard:
    """Return the dashboard of what each damper has done in its life."""
    board = begin("Accumulated duty", "dutylog-duty", "duty", "now-90d", "1m", "What each damper has done in its life")
    kinds = [
        ("label", "Damper", units.String),
        ("energy_total_j", "Heat", units.Joule),
        ("energy_compression_total_j", "Heat, compression", units.Joule),
        ("energy_rebound_total_j", "Heat, rebound", units.Joule),
        ("strokes_total_count", "Strokes", units.NoUnit),
        ("compression_strokes_total_count", "Strokes, compression", units.NoUnit),
        ("shaft_travel_total_m", "Shaft travel", units.Meter),
        ("stroke_travel_total_m", "Stroke travel", units.Meter),
        ("bottom_outs_total_count", "Bottom-outs", units.NoUnit),
        ("measured_total_s", "Measured", units.DurationSeconds),
        ("unmeasured_total_s", "Not measured", units.DurationSeconds),
        ("moving_total_s", "Moving", units.DurationSeconds),
        ("moving_measured_total_s", "Moving, measured", units.DurationSeconds),
        ("peak_compression_mps", "Fastest compression", units.MetersPerSecond),
        ("peak_rebound_mps", "Fastest rebound", units.MetersPerSecond),
        ("peak_body_c", "Hottest body", units.Celsius),
        ("revision", "Revision", units.NoUnit),
        ("seq", "Place in the log", units.NoUnit),
    ]
    columns = [Column(f'last("{field}")', field, title, unit) for field, title, unit in kinds]
    says = "Life totals as last reported within the span shown. Not measured: duty is a lower bound."
    board.with_panel(make_table("Dampers", "duty", columns, '"unit"', says))
    unit = ('"unit", "position"', "$tag_position $tag_unit", DUTY)
    says = "Energy turned to heat since the damper was added."
    board.with_panel(make_lines("Heat", units.Joule, 'max("energy_total_j")', "duty", *unit, says))
    says = "All sliding of the shaft."
    board.with_panel(make_lines("Shaft travel", units.Meter, 'max("shaft_travel_total_m")', "duty", *unit, says))
    says = "Since the damper was added."
    return board.with_panel(make_lines("Strokes", units.NoUnit, 'max("strokes_total_count")', "duty", *unit, says))


def all_texts() -> dict[str, str]:
    """Return the JSON of every dashboard by its file's name."""
    made = {"live.json": live().build(), "trips.json": trips().build(), "duty.json": duty().build()}
    for board in made.values():
        for number, panel in enumerate(board.panels or [], 1):
            panel.id_val = number
    encoder = JSONEncoder(sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False)
    return {name: encoder.encode(board) + "\n" for name, board in made.items()}


def main() -> int:
    """Write the files; 0."""
    for name, text in all_texts().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
        sys.stdout.write(f"dashboards/{name}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
