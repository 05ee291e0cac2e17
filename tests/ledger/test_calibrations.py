"""Calibrations in the ledger: stored by command, chained, kept, the newest in force, laid over the vehicle file's."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError, LedgerCorrupt
from dutylog.ledger.calibrations import (
    ENTRY_KIND,
    BodyCalibration,
    TravelCalibration,
    compute_offset_k,
    effect_data,
    history,
    in_force,
    overlaid,
    require_vehicle,
    to_json,
)
from dutylog.ledger.chain import DATA_LIMIT
from dutylog.ledger.client import run_command
from dutylog.ledger.command import apply_command, encode_line, parse_request
from dutylog.ledger.ledger import Ledger
from dutylog.motion.calibration_fit import TapePoint, fit_travel
from ledger.builders import STAMP, fill, make_profile, make_vehicle, open_ledger

POINTS = [[3000, 690, 4.5], [12_000, 612.5, 0], [24_000, 505, 2]]
TRAVEL = {
    "schema": 1,
    "command": "calibrate",
    "kind": "travel",
    "position": "front_left",
    "by": "Ann",
    "points": POINTS,
    "extended_mm": 715,
}
BODY = {
    "schema": 1,
    "command": "calibrate",
    "kind": "temperature",
    "position": "front_left",
    "by": "Bo",
    "body_c": 11.5,
    "ambient_c": 13.0,
    "rested_h": 9,
}


def travel_of(ledger: Ledger, position: str = "front_left") -> TravelCalibration:
    found = in_force(ledger)[position].travel
    assert found is not None
    return found


def refuse(ledger: Ledger, request: dict[str, Any]) -> str:
    before = ledger.entries()
    applied = apply_command(ledger, request)
    assert applied.reply["ok"] is False
    assert applied.effects == ()
    assert ledger.entries() == before
    return str(applied.reply["error"])


@pytest.fixture
def filled(ledger: Ledger, unit_ids: list[str]) -> Ledger:
    return ledger


def test_a_travel_calibration_comes_back_as_it_was_fitted(filled: Ledger, unit_ids: list[str]) -> None:
    """To the last bit: the engine's travel depends on it."""
    applied = apply_command(filled, TRAVEL | {"note": "on stands"}, sequence=41)
    assert applied.reply["ok"] is True
    found = travel_of(filled)
    points = tuple(TapePoint(float(r), float(mm), float(n)) for r, mm, n in POINTS)
    fit = fit_travel(points, 715.0, 254.0)
    assert found.points == points
    assert found.fit.calibration == fit.calibration
    assert found.fit == replace(
        fit,
        travels_mm=tuple(round(v, 4) for v in fit.travels_mm),
        residuals_mm=tuple(round(v, 4) for v in fit.residuals_mm),
    )
    assert (found.extended_mm, found.stroke_mm) == (715, 254)
    signed = found.signed
    assert (signed.by, signed.note, signed.position, signed.sequence) == ("Ann", "on stands", "front_left", 41)
    assert (signed.utc_ns, signed.utc_trusted, signed.unit_id) == (STAMP.utc_ns, True, unit_ids[0])
    assert (signed.is_remounted, signed.corrects) == (False, False)
    assert applied.reply["entry"] == signed.row
    assert applied.reply["text"] == (
        f"calibration of the travel sensor at front_left stored by Ann as entry {signed.row}"
    )


def test_the_effect_tells_the_engine_all_it_needs(filled: Ledger) -> None:
    (travel,) = apply_command(filled, TRAVEL | {"is_remounted": True}).effects
    (body,) = apply_command(filled, BODY | {"corrects": True}).effects
    row = travel_of(filled).signed.row
    common = {"position": "front_left", "entry": row, "is_remounted": True, "corrects": False}
    pairs = [list(p) for p in travel_of(filled).fit.calibration]
    assert (travel.kind, travel.data) == (
        "calibrate",
        {"quantity": "travel", **common, "calibration_raw_mm": pairs},
    )
    assert (body.kind, body.data) == (
        "calibrate",
        common
        | {"quantity": "body_temperature", "entry": row + 1, "offset_k": 1.5, "is_remounted": False, "corrects": True},
    )
    assert effect_data(travel_of(filled)) == travel.data


def test_old_ones_are_kept_and_the_newest_of_each_kind_is_in_force(filled: Ledger) -> None:
    for by, position in (("Ann", "front_left"), ("Bo", "rear_left"), ("Cy", "front_left")):
        apply_command(filled, TRAVEL | {"by": by, "position": position})
    apply_command(filled, BODY)
    apply_command(filled, BODY | {"ambient_c": 12.0, "by": "Di"})
    assert [(c.signed.by, c.signed.position) for c in history(filled)] == [
        ("Ann", "front_left"),
        ("Bo", "rear_left"),
        ("Cy", "front_left"),
        ("Bo", "front_left"),
        ("Di", "front_left"),
    ]
    assert [c.signed.by for c in history(filled, "front_left")] == ["Ann", "Cy", "Bo", "Di"]
    rows = [c.signed.row for c in history(filled)]
    assert rows == sorted(rows)
    now = in_force(filled)
    assert set(now) == {"front_left", "rear_left"}
    assert travel_of(filled).signed.by == "Cy"
    assert now["front_left"].body is not None
    assert now["front_left"].body.signed.by == "Di"
    assert now["rear_left"].body is None
    vehicle = overlaid(require_vehicle(filled), now)[0]
    assert {d.position: d.body_offset_k for d in vehicle.dampers if d.body_offset_k} == {"front_left": 0.5}
    assert history(filled, "rear_right") == []


def test_calibrations_are_links_of_the_chain(tmp_path: Path) -> None:
    """One edited digit of a residual is found, like one of a total."""
    with open_ledger(tmp_path) as ledger:
        fill(ledger)
        apply_command(ledger, TRAVEL)
        apply_command(ledger, BODY)
        assert ledger.verify_chain() is None
        assert ledger.is_sealed()
        row = travel_of(ledger).signed.row
        (entry,) = [e for e in ledger.entries() if e.row == row]
        with ledger._database.write() as connection:
            connection.execute("UPDATE entry SET data = ? WHERE row = ?", (entry.data.replace("690", "691"), row))
        assert ledger.verify_chain() == row


def test_an_entry_that_lost_a_field_is_damage_in_words(filled: Ledger) -> None:
    filled.append_entry(ENTRY_KIND, None, {"kind": "travel", "position": "front_left"})
    with pytest.raises(LedgerCorrupt, match="entry 9 can't be read"):
        in_force(filled)


def test_without_a_daemon_the_command_takes_the_lock(tmp_path: Path) -> None:
    request = {name: value for name, value in TRAVEL.items() if name != "schema"}
    reply = run_command(tmp_path, request, make_vehicle())
    assert reply["position"] == "front_left"
    with open_ledger(tmp_path) as ledger:
        assert travel_of(ledger).signed.unit_id is None
        assert ledger.verify_chain() is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"position": "front_lift"}, "vehicle truck has no position front_lift; the nearest known is front_left"),
        ({"kind": "speed"}, "kind speed: expected travel or temperature"),
        ({"by": None}, "command calibrate: by is missing"),
        ({"points": None}, "command calibrate, kind travel: points is missing"),
        ({"extended_mm": None}, "command calibrate, kind travel: extended_mm is missing"),
        ({"body_c": 12}, "command calibrate, kind travel: body_c belongs to the other kind"),
        ({"others_c": [12]}, "command calibrate, kind travel: others_c belongs to the other kind"),
        ({"points": [[1, 2], 3]}, "command calibrate: points: point 2 is no list of counts, length in mm"),
        ({"points": [[1, "2"]]}, "command calibrate: points: point 1: '2' is no number"),
        ({"points": [[1, True]]}, "command calibrate: points: point 1: True is no number"),
        ({"points": [[1, 10**400]]}, "command calibrate: points: point 1: 1000"),
        ({"points": [[1, float("nan")]]}, "command calibrate: points: point 1: nan is no number"),
        ({"points": [[1, 2]] * 61}, "command calibrate: points: expected a list of at most 60 points"),
        ({"points": "all"}, "command calibrate: points: expected a list"),
        ({"corrects": 1}, "command calibrate: corrects: 1 is neither true nor false"),
        ({"is_remounted": True, "corrects": True}, "a sensor mounted anew says nothing of the past"),
        ({"method": "spline"}, "method 'spline': expected line or curve"),
        ({"points": [POINTS[0], POINTS[2]]}, "2 different places, method line needs 3; measure at 1 more"),
    ],
)
def test_what_is_wrong_with_a_travel_request_is_said_and_nothing_stored(
    filled: Ledger, change: dict[str, Any], words: str
) -> None:
    assert refuse(filled, TRAVEL | change).startswith(words)


def test_a_ledger_without_a_vehicle_says_what_to_do(ledger: Ledger) -> None:
    assert refuse(ledger, TRAVEL).startswith("the ledger doesn't know its vehicle yet; start the daemon once")


def test_a_damper_that_shares_a_sensor_names_the_one_to_calibrate(ledger: Ledger) -> None:
    """Its own entry would be laid over nothing."""
    ledger.put_vehicle(shared_vehicle())
    assert refuse(ledger, TRAVEL | {"position": "rear_left"}) == (
        "rear_left has no travel sensor of its own; calibrate rear_right"
    )
    assert apply_command(ledger, BODY | {"position": "rear_left"}).reply["ok"] is True


def shared_vehicle() -> Vehicle:
    vehicle = make_vehicle()
    dampers = [replace(d, travel_from="rear_right") if d.position == "rear_left" else d for d in vehicle.dampers]
    return replace(vehicle, dampers=tuple(dampers))


def test_the_largest_request_fits_an_entry_and_a_line(filled: Ledger) -> None:
    """60 points with every digit a float can have, half of them seven places of a curve measured again and again."""
    heights = [15.1234567890123 + 230 * n / 59 for n in range(60)]
    points = [[3000.1234567 + 100 * mm, 715.0123456789 - mm, 1.23456789012345] for mm in heights]
    curve = [points[i] for i in range(0, 60, 5)] * 5
    big = TRAVEL | {"note": "ä" * 500, "by": "ö" * 64, "extended_mm": 715.0123456789}
    for request in (big | {"points": points}, big | {"points": curve, "method": "curve"}):
        assert len(encode_line(request)) < 65_536
        assert apply_command(filled, request).reply["ok"] is True
        assert len(filled.entries(limit=1)[0].data.encode()) < DATA_LIMIT


@given(st.dictionaries(st.sampled_from([*TRAVEL, *BODY, "method", "corrects", "others_c"]), st.integers() | st.text()))
def test_any_fields_are_checked_or_refused_in_one_line(fields: dict[str, Any]) -> None:
    """The socket takes bytes from whoever may open it."""
    try:
        checked = parse_request(json.dumps(TRAVEL | fields).encode())
    except InputError as err:
        refusal = str(err)
    else:
        refusal = ""
        assert checked["points"] is None or all(len(point) == 3 for point in checked["points"])
    assert "\n" not in refusal


# -- over the vehicle file


def test_the_ledgers_calibration_wins_over_the_vehicle_files(filled: Ledger) -> None:
    apply_command(filled, TRAVEL)
    vehicle = make_vehicle()
    told = replace(vehicle.dampers[0], calibration=((0.0, 0.0), (4095.0, 254.0)))
    vehicle = replace(vehicle, dampers=(told, *vehicle.dampers[1:]))
    found, notes = overlaid(vehicle, in_force(filled))
    row = travel_of(filled).signed.row
    assert found.dampers[0] == replace(told, calibration=travel_of(filled).fit.calibration)
    assert found.dampers[1:] == vehicle.dampers[1:]
    assert notes == [
        f"the calibration of front_left in the ledger (entry {row}, Ann) counts, not the one of the vehicle file; "
        "delete `calibration` there"
    ]
    assert overlaid(found, in_force(filled)) == (found, [])
    assert Vehicle.from_dict(json.loads(json.dumps(found.to_dict()))) == found


def test_a_vehicle_file_without_a_calibration_just_gets_it(filled: Ledger) -> None:
    apply_command(filled, TRAVEL)
    found, notes = overlaid(make_vehicle(), in_force(filled))
    assert found.dampers[0].calibration == travel_of(filled).fit.calibration
    assert notes == []
    assert overlaid(make_vehicle(), {}) == (make_vehicle(), [])


def test_a_calibration_for_another_stroke_asks_to_be_made_again(filled: Ledger) -> None:
    """Whoever fits a longer damper has another length at full extension."""
    apply_command(filled, TRAVEL)
    longer = replace(make_vehicle(), profiles=(replace(make_profile(), stroke_m=0.305),))
    _, notes = overlaid(longer, in_force(filled))
    assert len(notes) == 1
    assert "was made for a stroke of 254 mm, the profile says 305 mm; calibrate that sensor again" in notes[0]


def test_calibrations_that_find_no_sensor_are_said(filled: Ledger) -> None:
    apply_command(filled, TRAVEL | {"position": "rear_left"})
    apply_command(filled, TRAVEL)
    vehicle = shared_vehicle()
    vehicle = replace(vehicle, dampers=vehicle.dampers[1:])
    found, notes = overlaid(vehicle, in_force(filled))
    assert found == vehicle
    assert notes[0].endswith("isn't used: the vehicle file takes its travel from rear_right")
    assert notes[1:] == [
        "the ledger has a calibration of front_left, which the vehicle file doesn't name; it isn't used"
    ]


def test_json_holds_points_residuals_and_doubt(filled: Ledger) -> None:
    apply_command(filled, TRAVEL)
    apply_command(filled, BODY | {"others_c": [12.5, 13]})
    travel, body = json.loads(json.dumps([to_json(one) for one in history(filled)], allow_nan=False))
    assert (travel["kind"], travel["by"], travel["method"], travel["worst_point"]) == ("travel", "Ann", "line", 2)
    assert travel["points"][0] == {
        "raw": 3000,
        "length_mm": 690,
        "noise": 4.5,
        "travel_mm": 25,
        "residual_mm": round(10 * 1957.5 / 222 - 87.5, 4),
    }
    assert travel["energy_uncertainty_ratio"] == 2 * travel["scale_uncertainty_ratio"]
    assert (body["kind"], body["offset_k"], body["others_c"]) == ("temperature", 1.5, [12.5, 13])


# -- temperature


def test_offset_is_what_must_be_added(filled: Ledger) -> None:
    assert compute_offset_k(11.5, 13.0, 3.0) == 1.5
    assert compute_offset_k(15.0, 13.0, 3.0) == -2.0
    apply_command(filled, BODY)
    found = in_force(filled)["front_left"].body
    assert isinstance(found, BodyCalibration)
    assert (found.offset_k, found.body_c, found.ambient_c, found.rested_h, found.others_c) == (1.5, 11.5, 13, 9, ())


def test_a_large_offset_needs_other_bodies_that_have_soaked() -> None:
    """One body 4 K above the air may be a damper still warm; beside three that agree with the air it is the sensor."""
    assert compute_offset_k(17.0, 13.0, 5.0, [13.2, 12.8, 13.5]) == -4.0
    assert compute_offset_k(18.0, 13.0, 5.0, [13.2, 12.8, 13.5]) == -5.0
    with pytest.raises(
        InputError, match=r"with no other body to compare, the only one reads 4.0 K high against the air"
    ):
        compute_offset_k(17.0, 13.0, 5.0)
    with pytest.raises(
        InputError, match=r"the bodies read 4.1 K high against the air in the middle, at most 3 K tells"
    ):
        compute_offset_k(17.0, 13.0, 5.0, [17.2, 17.1, 13.5])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"body_c": 18.1}, "the body reads 5.1 K high against the air, at most 5 K is taken for an offset; check type"),
        ({"body_c": 7.9}, "the body reads 5.1 K low against the air"),
        ({"rested_h": 2.9}, "at rest for 2.9 h, at least 3 h without sun on the vehicle is needed; wait longer"),
        (
            {"body_c": 90},
            "body: 90 °C, expected -40 to 60 °C of a vehicle at rest; check the thermocouple and the unit",
        ),
        ({"ambient_c": -41}, "air: -41 °C"),
        ({"others_c": [12, 70]}, "another body: 70 °C"),
        ({"others_c": 12}, "command calibrate: others_c: expected a list of at most 64 numbers"),
        ({"rested_h": None}, "command calibrate, kind temperature: rested_h is missing"),
        ({"points": POINTS}, "command calibrate, kind temperature: points belongs to the other kind"),
        ({"method": "line"}, "command calibrate, kind temperature: method belongs to the other kind"),
        ({"position": "x"}, "vehicle truck has no position x"),
    ],
)
def test_what_is_wrong_with_a_temperature_is_said_and_nothing_stored(
    filled: Ledger, change: dict[str, Any], words: str
) -> None:
    assert refuse(filled, BODY | change).startswith(words)
