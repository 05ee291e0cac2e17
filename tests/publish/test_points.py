"""Points: what becomes one and when, and lines that stay whole whatever stands in the names."""

from __future__ import annotations

import json
import math
import re
import urllib.parse
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.duty.totals import Totals
from dutylog.engine.output import TripDamper, TripRow
from dutylog.ledger.rows import Trip, UnitDuty
from dutylog.publish.ledger_now import LedgerNow
from dutylog.publish.line_protocol import carried, encode_line, stamped
from dutylog.publish.points import Moment, PointMaker
from dutylog.units import NS_PER_S
from publish.influx_servers import ORG, TOKEN
from web.samples import damper_now, snapshot

BOOT = "kernel-boot-1"
UTC_NS = 1_764_000_000_000_000_000
HOSTILE = (
    "a b", "a,b", "a=b", 'a"b', "a\nb", "a\\", "\\,", "a\\ b", "ä ö 雪 🛻", "#a", "50 %", "%0A", "\x00\x1f\x7f", " ",
    "a\r\nlive v=1", "\u2028", "'; DROP MEASUREMENT live", ",", "=", "\t",
)  # fmt: skip


def moment(s, utc_ns=None):
    return Moment(BOOT, round(s * NS_PER_S), utc_ns)


def at(seq, **changes):
    """A snapshot of one damper whose source has moved on to `seq`."""
    return replace(snapshot(seq), mono_s=1000.0 + seq, dampers=(damper_now("front_left", **changes),))


def parts_of(line):
    """Split a plain line (no escapes) into (measurement, tags, fields)."""
    head, fields = line.decode().split(" ")
    name, *tags = head.split(",")
    return name, dict(tag.split("=") for tag in tags), dict(one.split("=") for one in fields.split(","))


# lines


def test_a_line_is_what_the_form_asks():
    """Worked example: types by their endings, tags in the order of their names, nothing for null."""
    line = encode_line(
        "live", {"vehicle": "truck", "position": "front_left", "unit": None},
        {"body_c": 88.25, "samples_count": 10, "ok": True, "label": "SN-1", "heat_w": None},
    )  # fmt: skip
    assert line == b'live,position=front_left,vehicle=truck body_c=88.25,samples_count=10i,ok=true,label="SN-1"'
    assert stamped(line, UTC_NS) == line + b" 1764000000000000000"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None, 2**63, -(2**63)])
def test_what_no_field_can_hold_is_left_out(value):
    """A NaN in a line makes the whole batch a bad one."""
    assert encode_line("live", {}, {"body_c": value, "heat_w": 1.0}) == b"live heat_w=1.0"
    assert encode_line("live", {}, {"body_c": value}) is None


@pytest.mark.parametrize("value", [0.1, 1e-300, 1.7e308, 5e-324, -0.0, 123456789.123456789])
def test_floats_come_back_to_the_bit(value):
    """The dashboards' figures are compared with the ledger's by ==."""
    line = encode_line("live", {}, {"v": value})
    assert math.copysign(1.0, float(line.split(b"=")[1])) == math.copysign(1.0, value)
    assert float(line.split(b"=")[1]) == value


def test_a_numpy_number_is_written_as_a_number():
    """numpy 2 writes its own name around a number when asked for its text."""
    assert encode_line("live", {}, {"v": np.float64(1.5)}) == b"live v=1.5"


@given(st.text(st.characters(), min_size=1, max_size=30))
@settings(max_examples=300, deadline=None)
def test_no_name_breaks_out_of_its_place(text):
    """One name must never become a second point, tag or field, and two names never the same one."""
    line = encode_line("live", {"position": text}, {"v": 1.0, "label": text}).decode()
    assert not re.search(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]", line)
    assert urllib.parse.unquote(carried(text), errors="surrogatepass") == text
    # Without escaped signs what is left has exactly the structure of one tag and two fields.
    bare = re.sub(r"\\.", "", line)
    assert re.fullmatch(r'live,position=[^ ,=]* v=1\.0,label="[^"]*"', bare)


@pytest.mark.parametrize("text", HOSTILE)
def test_the_real_database_gives_hostile_names_back(real_influx, database, text):
    """The form's own reading is what counts."""
    from dutylog.publish.influx import InfluxServer

    line = stamped(encode_line("live", {"position": text, "unit": "u"}, {"v": 1.5, "label": text}), UTC_NS)
    with InfluxServer(real_influx.url, ORG, database, TOKEN) as server:
        server.write([line])
    series = real_influx.query("SELECT * FROM live", database)
    row = dict(zip(series[0]["columns"], series[0]["values"][0], strict=True))
    assert len(series) == len(series[0]["values"]) == 1
    assert row == {"time": UTC_NS, "position": carried(text), "unit": "u", "v": 1.5, "label": carried(text)}
    assert urllib.parse.unquote(row["position"]) == text


# live


def test_ten_seconds_of_snapshots_become_one_point_a_damper():
    """Mean, largest and root mean square by hand; the stamp is the last reading's."""
    maker = PointMaker()
    for second in range(10):
        reading = at(second, body_c=80.0 + second, heat_w=100.0 * second, speed_rms_mps=0.1 * second)
        assert maker.take(reading, moment(second)) == []
    (draft,) = maker.take(at(10, body_c=0.0), moment(10))
    assert (draft.kind, draft.boot_id, draft.mono_ns, draft.utc_ns) == ("live", BOOT, 9 * NS_PER_S, None)
    name, tags, fields = parts_of(draft.payload)
    unit_id = damper_now("front_left").unit_id
    assert (name, tags) == ("live", {"position": "front_left", "unit": unit_id, "vehicle": "demo_truck"})
    assert fields.pop("speed_rms_mps") == repr(math.sqrt(math.fsum((0.1 * i) ** 2 for i in range(10)) / 10))
    assert fields == {
        "body_c": "84.5", "body_max_c": "89.0", "heat_w": "450.0", "heat_max_w": "900.0",
        "measured_ratio": "1.0", "samples_count": "10i",
    }  # fmt: skip


def test_a_reading_that_stands_still_is_not_counted_again():
    """Core repeats what it has while the disk takes nothing."""
    maker = PointMaker()
    for second in range(5):
        maker.take(replace(at(0), seq=second), moment(second))
    (draft,) = maker.close_live(moment(5), is_last=True)
    assert parts_of(draft.payload)[2]["samples_count"] == "1i"
    assert draft.mono_ns == 0


def test_unknown_values_are_left_out_and_a_damper_without_any_has_no_point():
    """A missing thermocouple is no zero."""
    maker = PointMaker()
    blind = {"heat_w": None, "speed_rms_mps": None, "measured_ratio": None}
    dampers = (damper_now("front_left", body_c=None), damper_now("front_right", body_c=None, **blind),
               damper_now("rear_left", body_c=70.0, **blind))  # fmt: skip
    maker.take(replace(snapshot(1), dampers=dampers), moment(1))
    drafts = maker.close_live(moment(12))
    assert [parts_of(d.payload)[1]["position"] for d in drafts] == ["front_left", "rear_left"]
    assert "body_c" not in parts_of(drafts[0].payload)[2]
    assert set(parts_of(drafts[1].payload)[2]) == {"body_c", "body_max_c", "samples_count"}


def test_readings_of_two_units_are_never_mixed():
    """A damper swapped within ten seconds."""
    maker = PointMaker()
    maker.take(at(1, body_c=50.0, unit_id="a"), moment(1))
    maker.take(at(2, body_c=90.0, unit_id="b"), moment(2))
    found = [parts_of(d.payload) for d in maker.close_live(moment(3), is_last=True)]
    assert [(tags["unit"], fields["body_c"]) for _, tags, fields in found] == [("a", "50.0"), ("b", "90.0")]


def test_when_snapshots_stop_the_last_window_still_closes_once():
    """Core may die in the middle of ten seconds."""
    maker = PointMaker()
    maker.take(at(1), moment(1))
    assert maker.close_live(moment(5)) == []
    assert len(maker.close_live(moment(11))) == 1
    assert maker.close_live(moment(30)) == []


# duty and trips


def totals(**changes):
    return Totals(
        energy_compression_uj=1_234_567, energy_rebound_uj=2_000_001, strokes_count=7, compression_strokes_count=4,
        shaft_travel_um=12_345, stroke_travel_um=10_000, bottom_outs_count=1, measured_us=60_000_000,
        unmeasured_us=1_000_000, moving_us=50_000_000, moving_measured_us=49_000_000, peak_compression_umps=2_500_000,
        peak_rebound_umps=1_750_000, peak_body_mc=98_765, **changes,
    )  # fmt: skip


def unit(sequence=5, position="front_left", **changes):
    return UnitDuty("unit-1", "SN-1", "SN-1", position, 1, sequence, totals() if not changes else Totals(**changes))


def trip(number=3, *, is_open=False, utc_trusted=True, start_utc_ns=UTC_NS):
    row = TripRow(1, 0, 0, 60 * NS_PER_S, is_open, 50_000_000, 812.5, (TripDamper("unit-1", "front_left", totals()),))
    return Trip(number, None, row, start_utc_ns, start_utc_ns, utc_trusted)


def ledger(*units, trips=()):
    return LedgerNow("truck", units, tuple(trips))


def test_totals_become_a_point_with_the_ledgers_values():
    """Every field by hand: SI units, counts as integers."""
    (draft,) = PointMaker().take_ledger(ledger(unit()), moment(1, UTC_NS))
    assert (draft.kind, draft.utc_ns) == ("duty", UTC_NS)
    name, tags, fields = parts_of(draft.payload)
    assert (name, tags) == ("duty", {"vehicle": "truck", "position": "front_left", "unit": "unit-1"})
    assert fields == {
        "energy_compression_total_j": repr(1_234_567 / 1e6), "energy_rebound_total_j": repr(2_000_001 / 1e6),
        "energy_total_j": repr(3_234_568 / 1e6), "strokes_total_count": "7i", "compression_strokes_total_count": "4i",
        "shaft_travel_total_m": repr(12_345 / 1e6), "stroke_travel_total_m": repr(10_000 / 1e6),
        "bottom_outs_total_count": "1i", "measured_total_s": "60.0", "unmeasured_total_s": "1.0",
        "moving_total_s": "50.0", "moving_measured_total_s": "49.0", "peak_compression_mps": "2.5",
        "peak_rebound_mps": "1.75", "peak_body_c": repr(98_765 / 1e3), "revision": "1i", "seq": "5i",
        "label": '"SN-1"',
    }  # fmt: skip


def test_totals_come_once_a_minute_and_only_when_they_changed():
    """A truck in the garage costs no bytes."""
    maker = PointMaker()
    grown = [unit(sequence=i, strokes_count=i) for i in range(200)]
    seconds = [s for s in range(200) if maker.take_ledger(ledger(grown[s]), moment(s))]
    assert seconds == [0, 60, 120, 180]
    assert [s for s in range(200, 400) if maker.take_ledger(ledger(grown[199]), moment(s))] == [240]
    assert maker.take_ledger(ledger(grown[199]), moment(401), is_last=True) == []


def test_totals_come_at_once_at_a_stop_and_when_a_trip_ended():
    """Who turns the key wants the end of the day in the database."""
    maker = PointMaker()
    maker.take_ledger(ledger(unit(strokes_count=1)), moment(0))
    assert maker.take_ledger(ledger(unit(strokes_count=2)), moment(5)) == []
    assert [d.kind for d in maker.take_ledger(ledger(unit(strokes_count=2), trips=[trip()]), moment(6))] == [
        "trip", "duty"]  # fmt: skip
    assert [d.kind for d in maker.take_ledger(ledger(unit(strokes_count=3)), moment(7), is_last=True)] == ["duty"]


def test_a_damper_on_the_shelf_has_no_position():
    """An empty tag would make the whole line a bad one."""
    (draft,) = PointMaker().take_ledger(ledger(unit(position=None)), moment(1))
    assert parts_of(draft.payload)[1] == {"vehicle": "truck", "unit": "unit-1"}


def test_a_trip_is_dated_by_its_start_so_that_it_is_one_point():
    """The same trip again overwrites itself."""
    drafts = PointMaker().take_ledger(ledger(trips=[trip()]), moment(900))
    assert [(d.kind, d.utc_ns) for d in drafts] == [("trip", UTC_NS)]
    name, tags, fields = parts_of(drafts[0].payload)
    assert (name, tags) == ("trip", {"vehicle": "truck", "position": "front_left", "unit": "unit-1", "trip": "3"})
    assert fields == {
        "energy_j": repr(3_234_568 / 1e6), "strokes_count": "7i", "shaft_travel_m": repr(12_345 / 1e6),
        "bottom_outs_count": "1i", "moving_s": "50.0", "moving_measured_s": "49.0",
        "peak_body_c": repr(98_765 / 1e3), "distance_m": "812.5",
    }  # fmt: skip


def test_open_and_undated_trips_wait_and_each_comes_once():
    """Also across a restart: the cursor says which are done."""
    maker = PointMaker()
    assert maker.take_ledger(ledger(trips=[trip(1, is_open=True), trip(2, utc_trusted=False)]), moment(1)) == []
    ready = ledger(trips=[trip(2), trip(1)])
    assert [parts_of(d.payload)[1]["trip"] for d in maker.take_ledger(ready, moment(2))] == ["1", "2"]
    assert maker.take_ledger(ready, moment(3)) == []
    again = PointMaker(maker.cursor())
    assert again.take_ledger(ready, moment(4)) == []
    assert len(again.take_ledger(ledger(trips=[trip(3), trip(2)]), moment(5))) == 1
    assert json.loads(again.cursor())["trips"] == [2, 3]


@pytest.mark.parametrize(
    "text", [None, "", "{", "[]", '{"trips": 3}', '{"trips": ["x"]}', '{"duty": 3}', "[" * 100_000]
)
def test_a_cursor_that_cant_be_read_counts_as_none(text):
    """A damaged outbox is begun anew; a trip sent again is the same point."""
    told = PointMaker(text).take_ledger(ledger(unit(), trips=[trip()]), moment(1))
    assert [draft.kind for draft in told] == ["trip", "duty"]
