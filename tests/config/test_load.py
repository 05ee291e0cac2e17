"""What a good file becomes."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from dutylog.config import Settings, SourceSettings, example_text, load, slug_of
from dutylog.config.loader import parse_settings
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import ConfigError

TESTS = Path(__file__).parent.parent
REPOSITORY = TESTS.parent
CASE_FILES = [
    *sorted((TESTS / "data" / "cases").glob("*/truck.toml")),
    Path(__file__).parent / "data" / "heatsoak.toml",
]


def parse(text: str) -> Settings:
    return parse_settings(text.encode(), Path("garage/truck.toml"))


def test_there_are_case_files():
    """The test below would pass on an empty list."""
    assert len(CASE_FILES) >= 5


@pytest.mark.parametrize("path", CASE_FILES, ids=lambda p: f"{p.parent.name}-{p.stem}")
def test_acceptance_files_are_taken_as_they_are(path):
    """The contract: those files need no change, and nothing about them is odd."""
    settings = load(path)
    assert settings.notes == ()
    assert [d.wheel for d in settings.vehicle.dampers] == [d.position for d in settings.vehicle.dampers]
    assert {d.profile for d in settings.vehicle.dampers} == {p.name for p in settings.vehicle.profiles}
    assert Vehicle.from_dict(settings.vehicle.to_dict()) == settings.vehicle


def test_values_come_out_in_si_to_the_last_bit(good):
    """22.2 mm must be the same double as a written 0.0222, or two files that agree on paper differ in the log."""
    settings = parse(good)
    front, rear = settings.vehicle.profiles
    assert (front.stroke_m, front.shaft_diameter_m, front.bore_diameter_m) == (0.254, 0.0222, 0.0635)
    assert front.force[0].curve.speeds_mps == (-3.0, 0.0, 3.0)
    assert front.force[0].curve.forces_n == (-7200.0, 0.0, 3600.0)
    assert [at.travel_m for at in rear.force] == [0.1, 0.11]
    assert isinstance(rear.stroke_m, float)
    assert (rear.fade_per_k, rear.reference_c, rear.oil_limit_c) == (0.0, 40.0, None)


def test_defaults(good):
    """Each default is promised in shared/CONFIG.md."""
    settings = parse(good)
    assert settings.vehicle.vehicle_id == "test_truck"
    assert (settings.data_dir, settings.source) == (None, None)
    assert (settings.web.listen, settings.web.port, settings.trip.grace_s) == ("127.0.0.1", 8321, 600.0)
    assert settings.text_hash == hashlib.sha256(good.encode()).hexdigest()
    assert settings.notes == ()


def test_missing_source_is_told_only_to_those_who_need_one(good):
    """`integrate` works on a file without a source, `run` doesn't."""
    with pytest.raises(ConfigError, match=r"garage/truck.toml: source: missing; add \[source\]"):
        parse(good).require_source()
    with pytest.raises(ConfigError, match=r"garage/truck.toml: data.dir: missing"):
        parse(good).require_data_dir()


def test_all_optional_tables(good):
    """Paths start at the folder of the file, so a vehicle's folder can be moved as a whole."""
    settings = parse(
        good.replace('name = "Test truck"', 'name = "Test truck"\nid = "old_7"')
        + '[data]\ndir = "duty"\n[source]\nkind = "recording"\nfile = "/logs/a.parquet"\npace = 0\n'
        + '[web]\nlisten = "::1"\nport = 80\n[trip]\ngrace_min = 2.5\n'
    )
    assert settings.vehicle.vehicle_id == "old_7"
    assert settings.require_data_dir() == Path("garage/duty")
    assert settings.require_source() == SourceSettings("recording", 0.0, Path("/logs/a.parquet"))
    assert (settings.web.listen, settings.web.port, settings.trip.grace_s) == ("::1", 80, 150.0)


def test_home_folder_in_a_path(good, monkeypatch):
    """~/ is what people type; no shell is there to expand it."""
    monkeypatch.setenv("HOME", "/home/owner")
    assert parse(good + '[data]\ndir = "~/duty"\n').data_dir == Path("/home/owner/duty")


def test_shared_sensor_and_calibration(good):
    """A bypass damper beside a rear one has a wheel and a sensor that aren't its own."""
    text = good.replace('serial = "A-1"', 'serial = "A-1"\ncalibration = [[200, 0], [3900, 254.0]]').replace(
        'serial = "A-2"',
        'serial = "A-2"\nwheel = "front_left"\ntravel_from = "front_left"\ntravel_map = [[0, 10], [254, 300]]',
    )
    front, rear = parse(text).vehicle.dampers
    assert front.calibration == ((200.0, 0.0), (3900.0, 254.0))
    assert (rear.wheel, rear.travel_from, rear.travel_map) == (
        "front_left",
        "front_left",
        ((0.0, 10.0), (254.0, 300.0)),
    )


@pytest.mark.parametrize(
    ("addition", "note"),
    [
        (
            '[web]\nlisten = "0.0.0.0"\n',
            'truck.toml:43: web.listen: "0.0.0.0": all who reach the page see it, once an access code is set',
        ),
        ('[web]\nlisten = "fd00::1"\n', "without tls = true the code travels readable"),
        ("SPARE", "profile.spare: no damper uses this profile"),
        ("FALLS", "profile.front.force_curve: force falls with speed between 1 and 2 m/s"),
        ("BYPASS", 'damper[3].wheel: taken as a wheel of its own; if it sits at rear_left, write wheel = "rear_left"'),
    ],
)
def test_odd_but_allowed_is_a_note(good, addition, note):
    """Each of these is right for somebody, so it must not stop anybody."""
    spare = good[good.index("[profile.front]") : good.index("[profile.rear]")].replace("front", "spare")
    text = {
        "SPARE": good + spare,
        "FALLS": good.replace("[3.0, 3600.0]]", "[1, 3600], [2, 3000], [3, 3000]]"),
        "BYPASS": good + '[[damper]]\nposition = "rear_left_bypass"\nprofile = "rear"\n',
    }.get(addition, good + addition)
    (found,) = parse(text).notes
    assert note in found
    assert found.startswith("garage/truck.toml:")


def test_loopback_needs_no_note(good):
    """127/8 and ::1 stay on the machine."""
    for address in ("127.0.0.1", "127.9.9.9", "::1"):
        assert parse(good + f'[web]\nlisten = "{address}"\n').notes == ()


def test_example_is_good_and_kept_in_one_form():
    """What `dutylog config example` prints, what shared/ shows and what the package ships are one file."""
    shared = REPOSITORY / "shared" / "example_vehicle.toml"
    assert shared.read_text(encoding="utf-8") == example_text()
    settings = load(shared)
    assert settings.notes == ()
    assert len(settings.vehicle.dampers) == 6
    assert settings.require_source().kind == "recording"


@pytest.mark.parametrize(
    ("name", "slug"),
    [("Test truck", "test_truck"), ("  Äpfel & Öl #7 ", "apfel_ol_7"), ("a" * 60, "a" * 40), ("卡车", ""), ("__", "")],
)
def test_id_made_from_a_name(name, slug):
    """Ids go into topics and paths, so nothing but a-z 0-9 _ may be left."""
    assert slug_of(name) == slug


def test_byte_order_mark_and_windows_lines(good):
    """Some editors write both; the line numbers must hold there too."""
    data = b"\xef\xbb\xbf" + good.replace("stroke_mm = 254.0", "stroke_mm = 20000").replace("\n", "\r\n").encode()
    with pytest.raises(ConfigError) as caught:
        parse_settings(data, Path("truck.toml"))
    assert caught.value.problems == ("truck.toml:15: profile.front.stroke_mm: 20000 is outside 50 to 1000 mm",)
