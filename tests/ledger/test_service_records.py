"""Records of a bench in the ledger: taken once, in turn, all of one or nothing, and the right doses begin anew."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.ledger import chain, service_records
from dutylog.ledger.command import apply_command
from dutylog.ledger.gas_readings import history
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import read_life
from dutylog.ledger.taken_records import read_records
from dutylog.ledger.unit_profiles import followed, had_profile, profile_to_dict, read_changes
from dutylog.life.history import read_history
from dutylog.life.unit_life import Lives, UnitLife
from ledger.builders import make_profile, make_vehicle
from life.lived import START, TODAY, Lived

DAY = "2026-10-05"
GAS = {"gauge_pa": 1.38e6, "body_c": 20.0, "air_c": 20.0, "travel_mm": 0.0, "altitude_m": 300.0}
KEY, OTHER_KEY = "4f2a91c077de0b13", "00112233445566ff"
ROWS = ("service", "gas_reading", "service_record")


def renewed(name: str = "desert_2", factor: float = 2.0) -> Profile:
    old = make_profile(name)
    curve = old.force[0].curve
    forces = tuple(factor * force for force in curve.forces_n)
    return Profile(
        **{key: getattr(old, key) for key in old.__slots__ if key != "force"},
        force=(ForceAt(0.0, ForceCurve(curve.speeds_mps, forces)),),
    )


def record(**changes: Any) -> dict[str, Any]:
    return {
        "command": "service_record", "unit": "SN-1", "by": "Bo", "done_by": "Ada", "checked_by": "Cleo", "on": DAY,
        "note": "rebuilt", "replaced": ["shaft_seal", "oil", "charge"], "found": {"shaft_seal": "worn"}, "gas": GAS,
        "profile": None, "bench_id": "bench-1", "bench": "Dune Bench", "key_id": KEY, "accept_key": None,
        "digest": "a" * 64, "sequence": 1, "previous": None, "job": 7, "visit": "7" * 64, **changes,
    }  # fmt: skip


@pytest.fixture
def lived(tmp_path: Path) -> Iterator[Lived]:
    made = Lived(tmp_path)
    day = START
    while day < TODAY:
        made.drive(day, 20, watts=300.0)
        day += timedelta(14)
    yield made
    made.close()


def take(lived: Lived, **changes: Any) -> dict[str, Any]:
    reply = apply_command(lived.ledger, {"schema": 1, **record(**changes)}).reply
    assert reply["ok"], reply
    return reply


def refuse(lived: Lived, says: str, **changes: Any) -> None:
    """Have it refused for that reason, and nothing written."""
    before = lived.ledger.entries(limit=1)[0].row
    reply = apply_command(lived.ledger, {"schema": 1, **record(**changes)}).reply
    assert not reply["ok"], reply
    assert says in reply["error"], reply["error"]
    assert "\n" not in reply["error"]
    assert lived.ledger.entries(limit=1)[0].row == before


def read(lived: Lived, label: str = "SN-1") -> UnitLife:
    return Lives(lived.ledger).read(lived.ledger.find_unit(label))


def kinds_after(ledger: Ledger, row: int) -> list[str]:
    return [one.kind for one in reversed(ledger.entries(limit=50)) if one.row > row]


def test_only_what_was_replaced_begins_anew(lived: Lived) -> None:
    """The right doses are reset, the others go on as they were, and so do those of all other dampers."""
    before, others = read(lived), [read(lived, label) for label in ("SN-2", "SN-3", "SN-4")]
    take(lived)
    after = read(lived)
    for one in before.parts:
        now = after.part(one.part.key)
        if one.part.key in ("shaft_seal", "oil"):
            assert now.since.row is not None
            assert now.since.day == date(2026, 10, 5)
            assert 0.0 < now.used.share < 0.3 * one.used.share
        elif one.part.key != "charge":
            assert (now.used, now.since) == (one.used, one.since)
    assert after.part("charge").since.text == "filled by Ada"
    for other in others:
        again = read(lived, other.unit.label)
        assert [one.used for one in again.parts] == [one.used for one in other.parts]
    # What was found worn teaches, and all dampers of that profile learn from it.
    assert after.part("shaft_seal").belief != before.part("shaft_seal").belief


def test_its_entries_say_who_did_what_and_whose_word_it_is(lived: Lived) -> None:
    """One of each, service first, chained like all others."""
    row = lived.ledger.entries(limit=1)[0].row
    reply = take(lived, replaced=["shaft_seal"])
    assert kinds_after(lived.ledger, row) == list(ROWS)
    (taken,) = read_records(lived.ledger)
    assert (taken.digest, taken.sequence, taken.job, taken.key_id) == ("a" * 64, 1, 7, KEY)
    (service,) = read_life(lived.ledger).services
    assert (service.said.row, service.said.by, service.said.day) == (taken.service, "Ada", date(2026, 10, 5))
    (fill,) = history(lived.ledger, lived.ids[0])
    assert (fill.row, fill.what, fill.gauge_pa, fill.by) == (taken.gas, "fill", 1.38e6, "Ada")
    data = json.loads(lived.ledger.entries_of("service_record")[0].data)
    assert (data["taken_by"], data["by"], data["checked_by"], data["day"]) == ("Bo", "Ada", "Cleo", DAY)
    assert lived.ledger.verify_chain() is None
    assert reply["notices"] == [
        "the first record of Dune Bench here; its key 4f2a 91c0 77de 0b13 is trusted from now on, compare it with them"
    ]


def test_new_oil_has_the_damping_baseline_learned_anew(lived: Lived) -> None:
    """As a service told on the vehicle does."""
    row = lived.ledger.entries(limit=1)[0].row
    applied = apply_command(lived.ledger, {"schema": 1, **record()})
    assert kinds_after(lived.ledger, row) == [*ROWS, "heat_reset"]
    assert [one.data for one in applied.effects] == [{"position": "front_left", "what": "damping"}]


def test_a_record_is_taken_once(lived: Lived) -> None:
    """The same file twice, also under another bench's number."""
    take(lived)
    refuse(lived, "this very record was taken already as entry")
    refuse(lived, "taken already", sequence=2, previous="a" * 64)


def test_records_follow_each_other(lived: Lived) -> None:
    """Older ones, a second of one number, and one that follows another history are refused."""
    take(lived)
    take(lived, digest="b" * 64, sequence=2, previous="a" * 64, visit="8" * 64)
    refuse(lived, "older than record 2", digest="c" * 64)
    refuse(lived, "two records 2", digest="c" * 64, sequence=2, previous="a" * 64)
    refuse(lived, "follows another record", digest="c" * 64, sequence=3, previous="d" * 64)
    refuse(lived, "follows another record", digest="c" * 64, sequence=3)
    reply = take(lived, digest="c" * 64, sequence=5, previous="d" * 64, visit="9" * 64)
    assert reply["notices"] == ["record 3 of Dune Bench was never taken here; what it told is missing"]
    # Another damper of the same bench, and another bench, count for themselves.
    take(lived, unit="SN-2", digest="d" * 64)
    take(lived, bench_id="bench-2", bench="Other Bench", digest="e" * 64, key_id=OTHER_KEY)


def test_a_first_record_here_that_is_not_the_benchs_first_is_said(lived: Lived) -> None:
    """A damper from another vehicle, or a ledger put right from an older copy."""
    notices = take(lived, sequence=3, previous="d" * 64)["notices"]
    assert notices[1:] == ["records of Dune Bench before 3 were never taken here; what they told is missing"]


def test_one_record_is_of_one_damper(lived: Lived) -> None:
    """Where the bench knew no serial a person says which damper; the same file doesn't renew a second one."""
    take(lived)
    refuse(lived, "taken already as entry", unit="SN-2")
    refuse(lived, "for damper SN-1; a record is of one damper", unit="SN-2")


def test_another_bench_of_a_known_name_is_said(lived: Lived) -> None:
    """Whoever makes up an id of its own would else be taken for a bench seen first, without the key's warning."""
    take(lived)
    other = {"unit": "SN-2", "digest": "b" * 64, "bench_id": "bench-2", "key_id": OTHER_KEY}
    first, namesake = take(lived, **other, bench="dune bench")["notices"]
    assert "its key 0011 2233 4455 66ff is trusted from now on" in first
    assert "another bench called dune bench sent records before, signed with key 4f2a 91c0 77de 0b13" in namesake
    others = take(lived, unit="SN-3", digest="c" * 64, bench_id="bench-3", bench="Other Bench")["notices"]
    assert len(others) == 1


def test_a_bench_put_back_from_a_copy_counts_anew_when_somebody_accepts_that_record(lived: Lived) -> None:
    """Its numbers come twice; the record is named by its digest, so the word is given for no other."""
    take(lived)
    take(lived, digest="b" * 64, sequence=2, previous="a" * 64, visit="8" * 64, job=8)
    anew = {"digest": "c" * 64, "sequence": 2, "previous": "a" * 64, "visit": "9" * 64, "job": 8, "replaced": ["oil"]}
    refuse(lived, f"give --accept-record {'c' * 16}", **anew)
    refuse(lived, "two records 2", **anew, accept_record="b" * 16)
    refuse(lived, "16 hex digits", **anew, accept_record="c")
    (notice,) = take(lived, **anew, accept_record="CCCC cccc cccc cccc")["notices"]
    assert notice.startswith("Dune Bench counts its records of this damper anew from 2 on; you accepted it")
    # The job's number came twice as well, and yet both visits happened.
    assert len(read_life(lived.ledger).services) == 3
    # From here on the new count holds.
    refuse(lived, "follows another record", digest="d" * 64, sequence=3, previous="b" * 64)
    assert take(lived, digest="d" * 64, sequence=3, previous="c" * 64, visit="5" * 64)["notices"] == []


def test_a_visit_is_told_by_its_id(lived: Lived) -> None:
    """Another visit with the same number withdraws nothing; a correction is one under any number."""
    take(lived)
    take(lived, digest="b" * 64, sequence=2, previous="a" * 64, visit="8" * 64)
    assert read_life(lived.ledger).withdrawn == frozenset()
    taken = read_records(lived.ledger)[1]
    take(lived, digest="c" * 64, sequence=3, previous="b" * 64, visit="8" * 64, job=9)
    assert read_life(lived.ledger).withdrawn == {taken.service, taken.gas}


def test_a_changed_key_is_refused_unless_somebody_accepts_that_very_key(lived: Lived) -> None:
    """Trust on first sight, for all dampers of the vehicle; another key never slips in."""
    take(lived)
    other = {"unit": "SN-2", "digest": "b" * 64, "key_id": OTHER_KEY}
    refuse(lived, "4f2a 91c0 77de 0b13 so far, this one with 0011 2233 4455 66ff", **other)
    refuse(lived, "so far", **other, accept_key=KEY)
    reply = take(lived, **other, accept_key="0011 2233 4455 66FF")
    assert "another key than before" in reply["notices"][0]
    # The old key is the changed one from here on: whoever has stolen it gets no further.
    refuse(lived, "so far", unit="SN-3", digest="c" * 64)
    take(lived, unit="SN-3", digest="c" * 64, key_id=OTHER_KEY)


def test_a_correction_of_the_same_visit_stands_for_the_record_before(lived: Lived) -> None:
    """Nothing is erased: what the first record told is withdrawn, and stays."""
    take(lived)
    first = read_records(lived.ledger)[0]
    take(lived, digest="b" * 64, sequence=2, previous="a" * 64, replaced=["shaft_seal"], found={}, gas=None)
    life = read_life(lived.ledger)
    assert [one.replaced for one in life.services] == [("shaft_seal",)]
    assert life.withdrawn == {first.service, first.gas}
    assert read(lived).part("oil").since.row is None
    withdrawn = json.loads(lived.ledger.entries_of("withdraw")[0].data)
    assert withdrawn["why"] == "corrected by record 2 of Dune Bench"


def test_a_service_that_somebody_withdrew_stays_withdrawn(lived: Lived) -> None:
    """A correction doesn't withdraw twice, and taking the old record again doesn't bring it back."""
    take(lived)
    first = read_records(lived.ledger)[0]
    lived.tell("withdraw", entry=first.service, why="wrong damper")
    refuse(lived, "taken already")
    take(lived, digest="b" * 64, sequence=2, previous="a" * 64)
    assert len(lived.ledger.entries_of("withdraw")) == 2  # by a person, and the fill
    assert len(read_life(lived.ledger).services) == 1


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"unit": "SN-9"}, "no damper SN-9"),
        ({"on": "2026-12-01"}, "still to come"),
        ({"on": None}, "on is missing"),
        ({"on": "2026-13-01"}, "no date"),
        ({"replaced": ["wheel"]}, "'wheel'"),
        ({"found": {"oil": "lovely"}}, "'lovely'"),
        ({"gas": {**GAS, "gauge_pa": 7e6}}, "gauge_pa"),
        ({"gas": {**GAS, "travel_mm": 300.0}}, "has a stroke of 254 mm"),
        ({"gas": {"gauge_pa": 1.0}}, "expected gauge_pa"),
        ({"digest": "A" * 64}, "64 hex digits"),
        ({"key_id": "xyz"}, "16 hex digits"),
        ({"sequence": 0}, "whole number from 1"),
        ({"job": True}, "whole number from 1"),
        ({"visit": "7"}, "64 hex digits"),
        ({"visit": None}, "visit is missing"),
        ({"profile": {"name": "x"}}, "profile"),
        ({"profile": []}, "expected a profile"),
        ({"done_by": ""}, "done_by"),
        ({"bench": "a\nb"}, "printable"),
        ({"more": 1}, "unknown field 'more'"),
    ],
)
def test_a_request_that_cannot_be_meant_writes_nothing(lived: Lived, changes: dict[str, Any], says: str) -> None:
    """One line of why."""
    refuse(lived, says, **changes)


def test_all_of_a_record_or_nothing(lived: Lived, monkeypatch: pytest.MonkeyPatch) -> None:
    """A failure at any of its entries leaves the ledger as it was."""
    count = len(lived.ledger.entries(limit=1000))
    real = chain.append_entry
    full = record(profile=profile_to_dict(renewed()))
    for fails_at in range(5):
        calls = 0

        def append(*args: Any, at: int = fails_at) -> Any:
            nonlocal calls
            calls += 1
            if calls > at:
                raise OSError("cut here")
            return real(*args)

        monkeypatch.setattr(service_records, "append_entry", append)
        with pytest.raises(OSError, match="cut here"):
            apply_command(lived.ledger, {"schema": 1, **full})
        assert len(lived.ledger.entries(limit=1000)) == count
        assert lived.ledger.find_unit("SN-1").profile == "desert"
        assert [one.name for one in lived.ledger.vehicle().profiles] == ["desert"]  # type: ignore[union-attr]
    monkeypatch.setattr(service_records, "append_entry", real)
    take(lived, profile=profile_to_dict(renewed()))
    assert lived.ledger.verify_chain() is None
    assert lived.ledger.is_sealed()


# another profile


def test_a_revalved_damper_has_another_profile_from_that_day_on(lived: Lived) -> None:
    """The unit, the vehicle that commands and pages see, and the chain agree; the file's own vehicle stays."""
    reply = take(lived, profile=profile_to_dict(renewed()))
    assert "profile desert_2 from 2026-10-05 on" in reply["text"]
    assert lived.ledger.find_unit("SN-1").profile == "desert_2"
    (change,) = read_changes(lived.ledger)
    assert (change.was, change.name, change.day, change.profile) == ("desert", "desert_2", date(2026, 10, 5), renewed())
    vehicle = lived.ledger.vehicle()
    assert vehicle is not None
    assert [one.name for one in vehicle.profiles] == ["desert", "desert_2"]
    # A start stores the vehicle file's vehicle anew: nothing that came with a record is lost by it.
    lived.ledger.put_vehicle(make_vehicle())
    assert lived.ledger.vehicle() == vehicle


def test_each_stretch_wears_by_its_profile_of_then(lived: Lived) -> None:
    """Cycles at full force hang on the curve: before the day by the old one, behind it by the new one."""
    before = read(lived)
    whole = float(before.history.doses["force_cycles"].sum())
    take(lived, profile=profile_to_dict(renewed("soft", 1.0)))
    same = read(lived)
    assert float(same.history.doses["force_cycles"].sum()) == pytest.approx(whole, rel=1e-12)

    bent = make_profile("bent")
    curve = ForceCurve((-2.0, -0.1, 0.0, 0.1, 2.0), (-4000.0, -3000.0, 0.0, 1500.0, 2000.0))
    stiff = Profile(
        **{key: getattr(bent, key) for key in bent.__slots__ if key != "force"}, force=(ForceAt(0.0, curve),)
    )
    take(lived, unit="SN-2", digest="b" * 64, profile=profile_to_dict(stiff))
    history = read(lived, "SN-2").history
    old = before.history.doses["force_cycles"]
    new = history.doses["force_cycles"]
    day = date(2026, 10, 5).toordinal()
    assert new[history.days <= day] == pytest.approx(old[history.days <= day], rel=1e-12)
    assert (history.days > day).sum() > 10
    by_new = read_history(lived.ledger, history.unit, stiff, read_life(lived.ledger), TODAY).doses["force_cycles"]
    assert new[history.days > day] == pytest.approx(by_new[history.days > day], rel=1e-12)
    assert (by_new > 2.0 * old).all()
    # Nothing else hangs on the curve.
    for name in ("abrasion", "shear", "sliding", "ageing"):
        assert history.doses[name] == pytest.approx(before.history.doses[name], rel=1e-9)


def test_a_name_that_is_taken_by_another_profile_is_refused(lived: Lived) -> None:
    """Two curves under one name would make one of them wrong."""
    take(lived, profile=profile_to_dict(renewed()))
    other = {"unit": "SN-2", "digest": "b" * 64}
    refuse(lived, "--profile-name NAME", **other, profile=profile_to_dict(renewed(factor=3.0)))
    refuse(lived, "--profile-name NAME", **other, profile=profile_to_dict(renewed("desert")))
    take(lived, **other, profile=profile_to_dict(renewed()))
    assert lived.ledger.find_unit("SN-2").profile == "desert_2"


def test_revalved_twice_has_three_stretches(lived: Lived) -> None:
    """The older profile keeps its days."""
    take(lived, on="2026-04-06", profile=profile_to_dict(renewed()))
    second = {"digest": "b" * 64, "sequence": 2, "previous": "a" * 64, "visit": "8" * 64}
    take(lived, **second, profile=profile_to_dict(renewed("desert_3", 0.5)))
    history = read(lived).history
    assert [one.profile.name for one in history.eras] == ["desert", "desert_2", "desert_3"]
    assert [one.from_s for one in history.eras] == sorted(one.from_s for one in history.eras)


def test_a_revalve_told_later_for_an_earlier_day_stands_where_it_was(lived: Lived) -> None:
    """What the damper has now, what core counts by and what its past is worked out with agree."""
    take(lived, on="2026-10-20", profile=profile_to_dict(renewed("late")))
    early = {"digest": "b" * 64, "bench_id": "bench-2", "bench": "Other Bench", "on": "2026-06-01", "gas": None}
    reply = take(lived, **early, profile=profile_to_dict(renewed("early", 3.0)))
    assert "profile early from 2026-06-01 until 2026-10-20, when it became late" in reply["text"]
    unit = lived.ledger.find_unit("SN-1")
    assert unit.profile == "late"
    history = read(lived).history
    assert [one.profile.name for one in history.eras] == ["desert", "early", "late"]
    assert history.profile.name == "late"
    assert [(one.was, one.name) for one in read_changes(lived.ledger)] == [("desert", "late"), ("desert", "early")]
    # A vehicle file may name any of those before; a place of the damper's gets the one it has now.
    for name in ("desert", "early"):
        vehicle = make_vehicle()
        dampers = (replace(vehicle.dampers[0], profile=name), *vehicle.dampers[1:])
        written = replace(vehicle, dampers=dampers, profiles=(*vehicle.profiles, renewed("early", 3.0)))
        in_force, (note,) = followed(lived.ledger, written)
        assert in_force.profile_of(in_force.dampers[0]) == renewed("late")
        assert "has profile late since 2026-10-20" in note
        assert had_profile(lived.ledger, unit, name)
    assert not had_profile(lived.ledger, unit, "other")


def test_the_same_profile_from_an_earlier_day_on_counts_from_there(lived: Lived) -> None:
    """It is no change of today, but one of the past; told once more it is none."""
    take(lived, on="2026-10-20", profile=profile_to_dict(renewed()))
    take(lived, digest="b" * 64, sequence=2, previous="a" * 64, visit="8" * 64, on="2026-06-01",
         profile=profile_to_dict(renewed()))  # fmt: skip
    assert [one.profile.name for one in read(lived).history.eras] == ["desert", "desert_2", "desert_2"]
    take(lived, digest="c" * 64, sequence=3, previous="b" * 64, visit="9" * 64, on="2026-08-01",
         profile=profile_to_dict(renewed()))  # fmt: skip
    assert len(read_changes(lived.ledger)) == 2


def test_revalving_takes_no_evidence_from_like_dampers(lived: Lived) -> None:
    """What a bench found of a seal tells of the others' seals, whichever of them was revalved since."""
    prior = read(lived, "SN-2").part("shaft_seal").belief
    take(lived)
    taught = read(lived, "SN-2").part("shaft_seal").belief
    assert taught != prior
    take(lived, digest="b" * 64, sequence=2, previous="a" * 64, visit="8" * 64, replaced=[], found={}, gas=None,
         profile=profile_to_dict(renewed()))  # fmt: skip
    assert lived.ledger.find_unit("SN-1").profile == "desert_2"
    for label in ("SN-1", "SN-2"):
        belief = read(lived, label).part("shaft_seal").belief
        assert belief.budget.median == pytest.approx(taught.budget.median, rel=1e-9)
