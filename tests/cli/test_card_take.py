"""`dutylog card take` as people type it: the file of a bench, into the ledger and into the vehicle file."""

from __future__ import annotations

import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bench.jobs_made import CURVE, built_job
from bench.test_record import REVALVED, place, record_of
from dutylog.bench.canonical import encode_file
from dutylog.bench.keys import make_private_key
from dutylog.bench.record_make import record_digest
from dutylog.cli import vehicle_file
from dutylog.cli.main import main
from dutylog.config import load
from dutylog.config.profile_text import profile_text
from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.errors import ConfigError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.unit_profiles import is_alike
from ledger.builders import POSITIONS, make_profile
from life.lived import START, TODAY, Lived

Run = Callable[..., str]
VEHICLE = """# my truck
[vehicle]
name = "Truck"
id = "truck"
{dampers}
[profile.desert]   # as bought
stroke_mm = 254.0
shaft_diameter_mm = 22.0
bore_diameter_mm = 63.5
oil_mass_kg = 1.1
body_mass_kg = 4.2
heat_capacity_j_per_k = 4000.0
force_curve = [[-2.0, -4000.0], [0.0, 0.0], [2.0, 2000.0]]
fade_per_k = 0.001
reference_c = 30.0
body_limit_c = 110.0
"""
DAMPER = """
[[damper]]
position = "{position}"
profile = "desert" # {position}
"""


@pytest.fixture
def ids(tmp_path: Path) -> list[str]:
    """A folder with a life of four dampers in it, and its vehicle file; their unit ids."""
    lived = Lived(tmp_path)
    lived.drive(START, 30, watts=300.0)
    lived.drive(TODAY, 30, watts=300.0)
    lived.close()
    dampers = "".join(DAMPER.format(position=one) for one in POSITIONS)
    (tmp_path / "truck.toml").write_text(VEHICLE.format(dampers=dampers))
    return lived.ids


@pytest.fixture
def take(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    def do(record: dict[str, Any], *words: str, status: int = 0) -> str:
        file = tmp_path / "SN-1.service.json"
        file.write_bytes(encode_file(record))
        assert main(["card", "take", str(file), "--by", "Bo", "--data", str(tmp_path), *words]) == status
        seen = capsys.readouterr()
        assert status == 0 or (seen.out == "" and seen.err.count("\n") == 1), seen
        return seen.out if status == 0 else seen.err

    return do


def test_a_record_is_taken_and_told_of(take: Run, ids: list[str], tmp_path: Path) -> None:
    """One line says what was done, a note whose key is trusted from now on."""
    said = take(record_of(unit_id=ids[0]))
    assert "record 1 of Dune Bench taken for damper SN-1: replaced shaft_seal, oil, charge; filled" in said
    assert "note: the first record of Dune Bench here" in said
    with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as opened:
        assert opened.last_entry("service_record") is not None
        assert opened.verify_chain() is None
    assert "taken already" in take(record_of(unit_id=ids[0]), status=2)


def test_by_its_serial_where_the_bench_knew_no_more(take: Run, ids: list[str]) -> None:
    """A damper that came without a card."""
    assert "taken for damper SN-2" in take(record_of(unit_id=None, serial="SN-2"))
    assert "no damper SN-7" in take(record_of(unit_id=None, serial="SN-7"), status=2)


def test_one_without_any_name_needs_a_persons_word(take: Run, ids: list[str]) -> None:
    """And that word can't give a record to another damper than it names."""
    assert "say which damper with --damper" in take(record_of(unit_id=None, serial=None), status=2)
    assert "taken for damper SN-3" in take(record_of(unit_id=None, serial=None), "--damper", "SN-3")
    other = record_of(unit_id=ids[0])
    assert "it is about damper SN-1, not SN-4" in take(other, "--damper", "SN-4", status=2)


def test_another_vehicles_damper_is_refused(take: Run, ids: list[str]) -> None:
    """Also where the serial is the same: the unit id outranks it, unless somebody says which damper it is."""
    assert "isn't one of this vehicle" in take(record_of(unit_id="unit-of-another", serial="SN-9"), status=2)
    moved = record_of(unit_id="unit-of-another", serial="SN-1")
    refused = take(moved, status=2)
    assert "isn't one of this vehicle; nothing was taken. If it is the SN-1 of here" in refused
    assert "isn't one of this vehicle" in take(moved, "--damper", "SN-2", status=2)
    said = take(moved, "--damper", "SN-1")
    assert "taken for damper SN-1" in said
    assert "note: the bench knew damper SN-1 on another vehicle; its serial says that it is this one" in said
    # A damper of this vehicle is never another one of it, whatever the serial says.
    assert "it is about damper SN-3, not SN-2" in take(record_of(unit_id=ids[2], serial="SN-2"), "--damper", "SN-2",
                                                       status=2)  # fmt: skip


def test_a_changed_key_is_accepted_by_its_name_alone(take: Run, ids: list[str]) -> None:
    """The line that refuses it says what to type."""
    first = record_of(unit_id=ids[0])
    take(first)
    other = record_of(at=place(2, record_digest(first), job=2), unit_id=ids[0], key=make_private_key())
    refused = take(other, status=2)
    assert "ask them whether they have a new key" in refused
    assert "taken for damper SN-1" in take(other, "--accept-key", other["signature"]["key_id"])


def test_a_bench_that_counts_anew_is_accepted_by_the_record_alone(take: Run, ids: list[str]) -> None:
    """The line that refuses it says what to type."""
    take(record_of(unit_id=ids[0]))
    anew = record_of(at=place(1, job=2, day="2026-10-31"), unit_id=ids[0])
    assert f"give --accept-record {record_digest(anew)[:16]}" in take(anew, status=2)
    said = take(anew, "--accept-record", record_digest(anew)[:16])
    assert "note: Dune Bench counts its records of this damper anew from 1 on" in said


def test_an_edited_file_takes_nothing(take: Run, ids: list[str], tmp_path: Path) -> None:
    """The ledger is as it was, byte by byte of its entries."""
    record = record_of(unit_id=ids[0])
    record["replaced"] = ["shaft_seal", "oil", "charge", "joints"]
    assert "changed after it was signed" in take(record, status=2)
    with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as opened:
        assert opened.last_entry("service") is None


def revalved(unit_id: str, **more: Any) -> dict[str, Any]:
    return record_of(built_job(REVALVED, CURVE), unit_id=unit_id, **more)


def test_a_new_profile_goes_into_the_vehicle_file(take: Run, ids: list[str], tmp_path: Path) -> None:
    """Beside the old one, named at the place of that damper alone; comments stay; the file loads."""
    file = tmp_path / "truck.toml"
    file.chmod(0o640)
    before = file.read_text()
    said = take(revalved(ids[0]), "--config", str(file))
    assert f"profile desert_2 written into {file}, named at front_left" in said
    after = file.read_text()
    assert after.startswith(before.replace('profile = "desert" # front_left', 'profile = "desert_2" # front_left'))
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    vehicle = load(file).vehicle
    assert [one.profile for one in vehicle.dampers] == ["desert_2", "desert", "desert", "desert"]
    assert [one.name for one in vehicle.profiles] == ["desert", "desert_2"]
    assert vehicle.profiles[1].force[0].curve.forces_n == (-3000.0, -900.0, 0.0, 500.0, 1500.0)
    assert list(tmp_path.glob("*.part")) == []


def test_without_the_file_the_block_is_printed_and_the_ledger_has_it(take: Run, ids: list[str], tmp_path: Path) -> None:
    """What is printed is what the file takes."""
    said = take(revalved(ids[0]))
    assert 'and profile = "desert_2" at front_left' in said
    file = tmp_path / "truck.toml"
    block = said[said.index("[profile.desert_2]") :]
    file.write_text(file.read_text() + "\n" + block)
    (told,) = [one for one in load(file).vehicle.profiles if one.name == "desert_2"]
    with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as opened:
        vehicle = opened.vehicle()
        assert vehicle is not None
        assert is_alike(vehicle.profiles[1], told)
        assert opened.find_unit("SN-1").profile == "desert_2"


def test_the_file_gains_the_profile_also_after_a_cut_between(take: Run, ids: list[str], tmp_path: Path) -> None:
    """The ledger had the record, the file not yet: the same command again brings the file up to date, and no more."""
    file, record = tmp_path / "truck.toml", revalved(ids[0])
    take(record)
    with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as opened:
        count = len(opened.entries(limit=1000))
    said = take(record, "--config", str(file))
    assert "taken already, but its profile is not in the vehicle file yet" in said
    assert load(file).vehicle.dampers[0].profile == "desert_2"
    with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as opened:
        assert len(opened.entries(limit=1000)) == count
    assert "taken already as entry" in take(record, "--config", str(file), status=2)


def test_a_file_that_cannot_take_it_stops_everything_before_anything_is_written(
    take: Run, ids: list[str], tmp_path: Path
) -> None:
    """A profile of that name with another curve: the ledger refuses, the file stays."""
    file = tmp_path / "truck.toml"
    take(revalved(ids[0]), "--config", str(file))
    before = file.read_bytes()
    curve = {**CURVE, "forces_n": [-4000.0, -900.0, 500.0, 1500.0]}
    other = record_of(built_job(REVALVED, curve), unit_id=ids[1])
    assert "--profile-name NAME" in take(other, "--config", str(file), status=2)
    assert file.read_bytes() == before
    assert "profile desert_right" in take(other, "--config", str(file), "--profile-name", "desert_right")
    assert [one.profile for one in load(file).vehicle.dampers][:2] == ["desert_2", "desert_right"]


def test_a_corrected_curve_of_the_same_visit_gets_a_name_of_its_own(take: Run, ids: list[str], tmp_path: Path) -> None:
    """Under the name the bench gave both: the wrong curve counted until then and stays, nobody has to name it."""
    file, first = tmp_path / "truck.toml", revalved(ids[0])
    take(first, "--config", str(file))
    curve = {**CURVE, "forces_n": [-4000.0, -900.0, 500.0, 1500.0]}
    second = record_of(built_job(REVALVED, curve), place(2, record_digest(first)), unit_id=ids[0])
    said = take(second, "--config", str(file))
    assert "note: the bench calls the new profile desert_2, here it is called desert_2_2" in said
    assert load(file).vehicle.dampers[0].profile == "desert_2_2"
    with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as opened:
        assert opened.find_unit("SN-1").profile == "desert_2_2"
    # Told as the first curve again, it is that one.
    third = record_of(built_job(REVALVED, CURVE), place(3, record_digest(second)), unit_id=ids[0])
    assert "profile desert_2 from" in take(third, "--config", str(file))
    assert load(file).vehicle.dampers[0].profile == "desert_2"
    # Another visit's curve of that name is no correction: a person names it.
    fourth = record_of(built_job(REVALVED, curve), place(4, record_digest(third), job=2), unit_id=ids[0])
    assert "--profile-name NAME" in take(fourth, "--config", str(file), status=2)


def test_a_curve_of_an_earlier_day_is_not_named_in_the_vehicle_file(take: Run, ids: list[str], tmp_path: Path) -> None:
    """The file gets its profile; the damper keeps the one it has now, also after a second try."""
    file, late = tmp_path / "truck.toml", revalved(ids[0])
    take(late, "--config", str(file))
    changes = {**REVALVED, "profile_name": "desert_0"}
    curve = {**CURVE, "forces_n": [-4000.0, -900.0, 500.0, 1500.0]}
    early = record_of(built_job(changes, curve), place(2, record_digest(late), job=2, day="2026-01-06"), unit_id=ids[0])
    said = take(early, "--config", str(file))
    assert f"profile desert_0 written into {file}; the old one stays there" in said
    vehicle = load(file).vehicle
    assert vehicle.dampers[0].profile == "desert_2"
    assert [one.name for one in vehicle.profiles] == ["desert", "desert_2", "desert_0"]
    text = file.read_text()
    file.write_text(text[: text.index("[profile.desert_0]")])
    assert "written into" in take(early, "--config", str(file))
    assert load(file).vehicle.dampers[0].profile == "desert_2"


def test_a_profile_name_that_no_vehicle_file_takes_is_refused(take: Run, ids: list[str]) -> None:
    """It would be the head of a table."""
    assert "a-z 0-9 _" in take(revalved(ids[0]), "--profile-name", "Desert!", status=2)


def test_a_file_that_somebody_changes_meanwhile_is_left_alone(ids: list[str], tmp_path: Path) -> None:
    """Their word isn't lost, and nothing half-written is left."""
    file = tmp_path / "truck.toml"
    edit = vehicle_file.prepare(file, replace(make_profile(), name="soft"), ("front_left",), frozenset({"desert"}))
    file.write_text(file.read_text() + "\n# mine\n")
    with pytest.raises(ConfigError, match="somebody changed it just now"):
        vehicle_file.apply(edit)
    assert file.read_text().endswith("# mine\n")
    assert list(tmp_path.glob("*.part")) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--profile-name", "x"), "has no new profile"),
        (("--damper", "SN-9"), "no damper SN-9"),
        (("--accept-key", "zz"), "16 hex digits"),
        (("--accept-record", "zz"), "16 hex digits"),
    ],
)
def test_words_that_cannot_be_meant_are_one_line(take: Run, ids: list[str], words: tuple[str, ...], says: str) -> None:
    """And nothing is taken."""
    assert says in take(record_of(unit_id=ids[0]), *words, status=2)


def test_a_file_that_is_not_there_is_one_line(
    capsys: pytest.CaptureFixture[str], ids: list[str], tmp_path: Path
) -> None:
    """Nor a folder."""
    for name in ("nothing.json", "."):
        assert main(["card", "take", str(tmp_path / name), "--by", "Bo", "--data", str(tmp_path)]) == 2
        assert capsys.readouterr().err.count("\n") == 1


def test_every_profile_reads_back_from_its_block(tmp_path: Path) -> None:
    """All of its fields, curves by travel among them."""
    curve = ForceCurve((-3.0, -0.1, 0.0, 0.1, 3.0), (-4200.123456, -700.0, 0.0, 430.5, 3700.0))
    plain = make_profile("plain")
    others = {
        "oil_limit_c": 140.0, "has_base_valve": False, "charge_pa": 1378951.4586, "gas_volume_m3": 2.1e-4,
        "construction": "bladder", "reservoir": "hose", "joints": "bushing", "is_rebuildable": False, "lead_days": 30,
        "force": (ForceAt(0.1, curve), ForceAt(0.19, curve)), "fade_per_k": 1.5e-3, "stroke_m": 0.2223,
    }  # fmt: skip
    full: Profile = replace(plain, **others)
    for profile in (plain, full):
        file = tmp_path / "v.toml"
        damper = f'[[damper]]\nposition = "a"\nprofile = "{profile.name}"\n'
        file.write_text(f'[vehicle]\nname = "V"\n{damper}\n{profile_text(profile)}')
        assert is_alike(load(file).vehicle.profiles[0], profile)
