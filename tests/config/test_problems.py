"""What is said about a bad file: all of it, one line each, with the remedy."""

# ruff: noqa: E501  # one row for each mistake reads better than wrapped rows
from __future__ import annotations

import re
from pathlib import Path

import pytest

from dutylog.config import load
from dutylog.config.loader import LARGEST_BYTES, parse_settings
from dutylog.errors import ConfigError

F = "profile.front."

ONE_VALUE = [
    # unknown keys
    ("stroke_mm = 254.0", "stroke = 254.0\nstroke_mm = 254.0", F + 'stroke: unknown key; did you mean "stroke_mm"? known:'),
    ("[vehicle]", "[vehicle]\nserial = 1", "vehicle.serial: unknown key here; it belongs in [[damper]]"),
    ("[vehicle]", "zzz = 1\n[vehicle]", "zzz: unknown key; known: adc, bridge, damper, data, gps, import, influxdb, log, mqtt, profile, source, thermocouple, trip, vehicle, web"),
    # wrong types
    ("254.0\n", '"254"\n', F + 'stroke_mm: "254", expected a number (50 to 1000 mm); write it without quotes'),
    ("254.0\n", "true\n", F + "stroke_mm: true is true/false, expected a number"),
    ("254.0\n", "2020-01-01\n", F + "stroke_mm: 2020-01-01 is a date or time, expected a number"),
    ("254.0\n", "[1]\n", F + "stroke_mm: this is an array, expected a number"),
    ('"Test truck"', "7", "vehicle.name: 7 is a number, expected text in quotes"),
    ("[0.0, 0.0]", "[0.0]", F + "force_curve[2]: 1 values, expected a pair of two numbers"),
    ("[0.0, 0.0]", "[0.0, nan]", F + "force_curve[2][2]: nan is no finite number"),
    ("254.0\n", "inf\n", F + "stroke_mm: inf is no finite number"),
    ("[[-3.0, -7200.0], [0.0, 0.0], [3.0, 3600.0]]", "[[0, 0]]", F + "force_curve: 1 entries, at least 2 are needed"),
    # units: what it looks like and what to write
    ("254.0\n", "0.254\n", F + "stroke_mm: 0.254 is outside 50 to 1000 mm; looks like metres; write 254"),
    ("254.0\n", "10\n", F + "stroke_mm: 10 is outside 50 to 1000 mm; looks like inches; write 254"),
    ("22.2\n", "0.0222\n", F + "shaft_diameter_mm: 0.0222 is outside 8 to 60 mm; looks like metres; write 22.2"),
    ("22.2\n", "0.875\n", F + "shaft_diameter_mm: 0.875 is outside 8 to 60 mm; looks like inches; write 22.225"),
    ("63.5\n", "2.5\n", F + "bore_diameter_mm: 2.5 is outside 20 to 200 mm; looks like inches; write 63.5"),
    ("1.31\n", "1310\n", F + "oil_mass_kg: 1310 is outside 0.05 to 20 kg; looks like grams; write 1.31"),
    ("3.19\n", "3190\n", F + "body_mass_kg: 3190 is outside 0.2 to 50 kg; looks like grams; write 3.19"),
    ("4560.0\n", "4.56\n", F + "heat_capacity_j_per_k: 4.56 is outside 200 to 60000 J/K; looks like kJ/K; write 4560"),
    ("0.0014\n", "0.14\n", F + "fade_per_k: 0.14 is outside 0 to 0.02 per K; looks like percent; write 0.0014"),
    ("= 40.0\n", "= 104\n", F + "reference_c: 104 is outside -20 to 80 °C; looks like degrees Fahrenheit; write 40"),
    ("120.0\n", "248\n", F + "body_limit_c: 248 is outside 60 to 200 °C; looks like degrees Fahrenheit; write 120"),
    ("120.0\n", "393.15\n", F + "body_limit_c: 393.15 is outside 60 to 200 °C; looks like kelvin; write 120"),
    ("[3.0, 3600.0]", "[3000, 3600]", F + "force_curve: speeds reach 3000, allowed is 0.05 to 12 m/s; looks like mm/s"),
    ("[3.0, 3600.0]", "[118, 3600]", F + "force_curve: speeds reach 118, allowed is 0.05 to 12 m/s; looks like in/s"),
    ("[[-3.0, -7200.0], [0.0, 0.0], [3.0, 3600.0]]", "[[-3, -7.2], [0, 0], [3, 3.6]]", "largest force 7.2 is outside 20"),
    # plain ranges
    ("254.0\n", "20000\n", F + "stroke_mm: 20000 is outside 50 to 1000 mm"),
    ("0.0014\n", "-0.001\n", F + "fade_per_k: -0.001 is outside 0 to 0.02 per K"),
    # several values together
    ("63.5\n", "22.2\n", F + "bore_diameter_mm: 22.2 mm is not wider than the shaft of 22.2 mm"),
    ("4560.0\n", "2489\n", F + "heat_capacity_j_per_k: 2489 J/K leaves nothing for the body"),
    ("0.0014\n", "0.0125\n", F + "fade_per_k: 0.0125 per K over the 80 K up to body_limit_c leaves no force at all"),
    ('profile = "front"', 'profile = "frnt"', 'damper[1].profile: "frnt" is not a profile; did you mean "front"?'),
    ('"rear_left"', '"front_left"', 'damper[2].position: "front_left" is also that of damper[1]'),
    ('"A-2"', '"A-1"', 'damper[2].serial: "A-1" is also that of damper[1]'),
    # names
    ('"rear_left"', '"Rear Left"', 'damper[2].position: "Rear Left" needs 1 to 40 of the characters a-z 0-9 _'),
    ('"rear_left"', '""', 'damper[2].position: "" needs 1 to 40'),
    ('"A-2"', '"A\\t2"', 'damper[2].serial: "A\\t2" has characters that can\'t be printed'),
    ('"A-2"', f'"{"x" * 65}"', "has 65 characters, at most 64 are allowed"),
    ('"A-2"', '" A-2"', 'damper[2].serial: " A-2" is empty or has blanks around it'),
    ('"Test truck"', '"卡车"', 'vehicle.id: missing; no id can be made from "卡车"'),
    ("[vehicle]", '[vehicle]\nid = "My-Truck"', 'vehicle.id: "My-Truck" needs 1 to 40 of the characters a-z 0-9 _; write "my_truck"'),
    # sensors
    ('"A-2"', '"A-2"\ntravel_from = "front_lft"', '"front_lft" is not a position; did you mean "front_left"?'),
    ('"A-2"', '"A-2"\ntravel_from = "rear_left"', 'damper[2].travel_from: "rear_left" is this damper itself'),
    ('"A-2"', '"A-2"\nbump_stop_mm = 900', "damper[2].bump_stop_mm: 900 is not below stroke_mm of profile"),
    ('"A-2"', '"A-2"\nstrap_mm = 60\nbump_stop_mm = 50', "damper[2].strap_mm: 60 is not below bump_stop_mm (50)"),
    ('"A-2"', '"A-2"\nstrap_mm = -1', "damper[2].strap_mm: -1 is outside 0 to 500 mm"),
    ('"A-2"', '"A-2"\ntravel_map = [[0, 0], [1, 9]]', "damper[2].travel_map: means nothing without travel_from"),
    ('"A-2"', '"A-2"\ncalibration = [[1, 0], [1, 9]]', "damper[2].calibration[2]: raw 1 does not rise above 1"),
    ('"A-2"', '"A-2"\ncalibration = [[1, 0], [2, 90], [3, 90]]', "damper[2].calibration[3]: mm go from 90 to 90"),
    ('"A-2"', '"A-2"\ncalibration = [[1, 0], [2, 90], [3, 80]]', "damper[2].calibration[3]: mm go from 90 to 80"),
    ('"A-2"', '"A-2"\ncalibration = [[1, 0], [2, 0.254]]', "spans only 0.254 mm; looks like metres; write 254"),
    ('"A-2"', '"A-2"\ncalibration = [[1, 0], [2, 9000]]', "damper[2].calibration: 9000 is outside -2000 to 2000 mm"),
    # curves
    ("[0.0, 0.0]", "[-3.0, 0.0]", F + "force_curve[2]: speed -3 does not rise above -3 before it"),
    ("[0.0, 0.0]", "[0.0, 9.0]", F + "force_curve[2]: force is 9 N at zero speed, so F*v < 0 beside it; make it [0.0, 0.0]"),
    ("[0.0, 0.0]", "[1.0, -5.0]", F + "force_curve[2]: force and speed of [1, -5] have opposite signs"),
    (" [0.0, 0.0],", "", F + "force_curve[2]: force is -1800 N at zero speed, so F*v < 0 beside it; add the point [0.0, 0.0]"),
    ("[3.0, 3600.0]", "[2, 3600], [3, 1800]", F + "force_curve: force falls at the end at 3 m/s and, going on like that, turns at 4 m/s"),
    ("[-3.0, -7200.0]", "[-3, -600], [-2, -1200]", "force falls at the end at -3 m/s and, going on like that, turns at -4 m/s"),
    ("[-3.0, -7200.0], ", "", F + "force_curve: has no rebound (negative speeds); give both directions"),
    ("-7200.0], [0.0, 0.0], [3.0, 3600.0]", "7200], [0, 0], [3, -3600]", "so have all others: turn the sign round"),
    ("travel_mm = 110", "travel_mm = 100", "profile.rear.force_at[2].travel_mm: 100 does not rise above 100 before it"),
    ("travel_mm = 110", "travel_mm = 351", "profile.rear.force_at[2].travel_mm: 351 is outside -50 to 350 mm"),
    ("fade_per_k = 0.0014", "[[profile.front.force_at]]\ntravel_mm = 1\nforce_curve = [[-1, -99], [1, 99]]\n[profile.fornt]", "profile.front.force_at: both force_curve and force_at are given; keep one"),
    ("force_curve = [[-3.0, -7200.0], [0.0, 0.0], [3.0, 3600.0]]\n", "", F + "force_curve: missing; give force_curve or several"),
    # missing
    ("body_limit_c = 120.0\n", "", F + "body_limit_c: missing; body temperature that must not be passed (60 to 200 °C)"),
    ('name = "Test truck"', "", "vehicle.name: missing; what people call the vehicle"),
    # the other tables
    ("[vehicle]", '[source]\nkind = "simulted"\n[vehicle]', "source.kind: \"simulted\" isn't known here; did you mean \"simulated\"?"),
    ("[vehicle]", '[source]\nkind = "recording"\n[vehicle]', "source.file: missing; the recording to read"),
    ("[vehicle]", '[source]\nkind = "simulated"\nfile = "x"\n[vehicle]', 'source.file: means nothing with kind = "simulated"'),
    ("[vehicle]", '[source]\nkind = "recording"\nfile = "x"\nseed = 2\n[vehicle]', 'source.seed: means nothing with kind = "recording"'),
    ("[vehicle]", "[source]\nkind = 5\n[vehicle]", "source.kind: 5 isn't known here"),
    ("[vehicle]", '[web]\nlisten = "localhost"\n[vehicle]', 'web.listen: "localhost" is no IP address; write "127.0.0.1"'),
    ("[vehicle]", "[web]\nport = 65536\n[vehicle]", "web.port: 65536 is outside 1 to 65535"),
    ("[vehicle]", "[web]\nport = 0\n[vehicle]", "web.port: 0 is outside 1 to 65535"),
    ("[vehicle]", "[web]\nport = 80.0\n[vehicle]", "web.port: 80 is a number, expected a whole number (1 to 65535)"),
    ("[vehicle]", "[trip]\ngrace_min = 600\n[vehicle]", "trip.grace_min: 600 is outside 0.1 to 240 min; looks like seconds; write 10"),
    ("[vehicle]", '[data]\ndir = ""\n[vehicle]', 'data.dir: "" is no path'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), ONE_VALUE, ids=[e[:70] for _, _, e in ONE_VALUE])
def test_one_wrong_value(good, problems_of, old, new, expected):
    """Each mistake a person can make is named with place, value seen and remedy."""
    assert old in good
    found = problems_of(good.replace(old, new, 1))
    assert any(expected in line for line in found), found


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("254.0\n", "0.254\n"),
        ("[0.0, 0.0]", "[0.0, 9.0]"),
        ('"A-2"', '"A-1"'),
        ("3.19\n", '"x"\n'),
        ("22.2\n", "nan\n"),
    ],
)
def test_one_mistake_is_told_once(good, problems_of, old, new):
    """A mistake must not drag others behind it that vanish with it."""
    assert len(problems_of(good.replace(old, new, 1))) == 1


def test_many_mistakes_are_told_in_one_go_in_the_order_of_the_file(good, problems_of):
    """A person must not be sent back to the same file ten times."""
    text = (
        good.replace('"Test truck"', "5")
        .replace('profile = "front"', 'profile = "frnt"')
        .replace('"A-2"', '"A-1"')
        .replace("254.0\n", "0.254\n")
        .replace("[3.0, 3600.0]", "[3.0, -3600.0]")
        .replace("travel_mm = 110", "travel_mm = 90")
        + "[wbe]\n"
    )
    lines = problems_of(text)
    assert [re.match(r"truck\.toml:(\d+): ([^ ]+): ", line).groups() for line in lines] == [  # type: ignore[union-attr]
        ("2", "vehicle.name"),
        ("7", "damper[1].profile"),
        ("11", "damper[2].serial"),
        ("15", "profile.front.stroke_mm"),
        ("21", "profile.front.force_curve[3]"),
        ("40", "profile.rear.force_at[2].travel_mm"),
        ("42", "wbe"),
    ]


def test_line_of_the_brief_example(good, problems_of):
    """The whole line, so that its form stays."""
    assert problems_of(good.replace('profile = "rear"', 'profile = "raer"')) == (
        'truck.toml:12: damper[2].profile: "raer" is not a profile; did you mean "rear"? known: front, rear',
    )


def test_missing_dampers_and_profiles(problems_of, good):
    """An empty file, and one without dampers, say what to add."""
    assert problems_of("") == (
        'truck.toml: vehicle: missing; [vehicle] with name = "..."',
        "truck.toml: damper: missing; at least one [[damper]] with position and profile",
        "truck.toml: profile: missing; at least one [profile.NAME] with the damper's figures",
    )
    start, end = good.index("[[damper]]"), good.index("[profile.front]")
    assert any("damper: missing; at least one [[damper]]" in p for p in problems_of(good[:start] + good[end:]))
    assert any("damper: no damper; add" in p for p in problems_of("damper = []\n" + good[:start] + good[end:]))


def test_single_brackets(good, problems_of):
    """[damper] for [[damper]] is the classic slip of TOML, and [[profile]] for [profile.NAME] its mirror."""
    first = good.index("[[damper]]")
    second = good.index("[[damper]]", first + 1)
    one = good[:second].replace("[[damper]]", "[damper]") + good[good.index("[profile.front]") :]
    assert "truck.toml:4: damper: this is one table, expected several; write it as [[damper]]" in problems_of(one)
    many = good[: good.index("[profile.front]")] + "[[profile]]\nstroke_mm = 254.0\n"
    assert problems_of(many)[-1].endswith("profile: this is an array, expected a table; write it as [profile.NAME]")


def test_chained_travel_from(good, problems_of):
    """A damper without a sensor can't lend one."""
    third = '[[damper]]\nposition = "third"\nprofile = "rear"\ntravel_from = "rear_left"\n'
    text = good.replace('"A-2"', '"A-2"\ntravel_from = "front_left"') + third
    (line,) = problems_of(text)
    assert line.endswith('damper[3].travel_from: "rear_left" has no sensor of its own; name the damper that has it')


def test_many_bad_points_are_one_line(good, problems_of):
    """A curve of 200 points pasted with quotes must not scroll the rest away."""
    points = ", ".join(f'["{i}", 1.0]' for i in range(200))
    (line,) = problems_of(re.sub(r"force_curve = \[\[-3.*", f"force_curve = [{points}]", good))
    assert line.endswith("(and 199 more here)")


def test_port_edge_in_metres(good, problems_of):
    """0.1 and 0.11 are inside the range in mm, but nobody builds ports 0.01 mm apart."""
    text = good.replace("travel_mm = 100", "travel_mm = 0.1").replace("travel_mm = 110", "travel_mm = 0.11")
    (line,) = problems_of(text)
    assert "profile.rear.force_at: travels span only 0.01 mm; looks like metres" in line


def test_digits_without_end(good, problems_of):
    """Python refuses to print integers of thousands of digits; the message must not."""
    (decimal,) = problems_of(good.replace("254.0", "9" * 5000))
    assert decimal.startswith("truck.toml: not TOML: ")
    (hexadecimal,) = problems_of(good.replace("254.0", "0x" + "f" * 5000))
    assert "an integer of 20000 bits" in hexadecimal


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"[vehicle\n", "truck.toml:1: not TOML at column 9 (line 1): "),
        (b"a = 1\na = 2\n", "truck.toml:2: not TOML at column 6 (line 2): "),
        (b'a = "\n', "truck.toml:1: not TOML at column 6 (line 1): "),
        (b"a = 1\nb = \xff\n", "truck.toml:2: byte 0xff is not UTF-8; save the file as UTF-8 text"),
        (b"a = " + b"[" * 20_000, "truck.toml: arrays or tables nested too deeply"),
        (b"DUTY\x00\x01", "truck.toml:1: not TOML"),
    ],
    ids=["header", "twice", "quote", "latin-1", "nested", "binary"],
)
def test_what_is_no_toml_says_where(data, expected):
    """Line and column, because the reader stops at the first."""
    with pytest.raises(ConfigError) as caught:
        parse_settings(data, Path("truck.toml"))
    (line,) = caught.value.problems
    assert line.startswith(expected)


def test_files_that_cannot_be_read(tmp_path):
    """A wrong path is the most common mistake of all."""
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * (LARGEST_BYTES + 1))
    cases = {
        tmp_path / "none.toml": "no such file; `dutylog config example` prints one to start from",
        tmp_path: "is a folder; name the vehicle file in it",
        large: "larger than 256 KiB, so no vehicle file; is it a recording?",
        Path("a\0b.toml"): "a\\x00b.toml: can't be read: embedded null byte",
        large / "x.toml": "can't be read: Not a directory",
    }
    for path, expected in cases.items():
        with pytest.raises(ConfigError) as caught:
            load(path)
        (line,) = caught.value.problems
        assert line.endswith(expected)


def test_a_file_of_the_largest_size_is_read(tmp_path, good):
    """The limit itself is allowed."""
    path = tmp_path / "truck.toml"
    path.write_bytes(good.encode() + b"#" * (LARGEST_BYTES - len(good.encode())))
    assert load(path).vehicle.name == "Test truck"
