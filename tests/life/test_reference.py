"""The reference set-up: budgets mean what they say, stored figures are those of the simulation, heat follows mixes."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace
from importlib.resources import files

import numpy as np
import pytest

from dutylog.domain.wear import MIXES
from dutylog.errors import InputError
from dutylog.life import mixes
from dutylog.life.doses import compute_doses
from dutylog.life.mixes import Leg, compute_mile_doses
from dutylog.life.parts import PARTS, RULES
from dutylog.life.reference import (
    FILE,
    REFERENCE,
    RUNS,
    SECONDS,
    SEED,
    drive_setup,
    parse_driven,
    per_mile,
    per_mile_of,
    read_driven,
    reference_doses,
    share_per_mile,
    street_miles,
    street_share_per_mile,
)
from dutylog.life.setups import SHARES, SURFACES, _parameters, make_setups, simulate
from dutylog.life.use import Use, compute_g_w_per_k, compute_ha_w_per_k, estimate_temperatures
from dutylog.sim.parameters import RIDE_RATIO
from dutylog.sim.quarter_car import GRAVITY_MPS2, QuarterCar
from dutylog.units import M_PER_MILE

STORED = files("dutylog.life").joinpath(FILE).read_text(encoding="utf-8")
WEARING = [part for part in PARTS if part.weights]
LINEAR = ("abrasion", "shear", "sliding", "joint_work", "piston_sliding", "force_cycles")
HEATED = ("ageing", "oil_heat")


def legs_of(road: str, position: str = "front_left") -> list[Leg]:
    rates = read_driven()[REFERENCE].rates
    shares = SHARES.get(road, {road: 1.0})
    return [Leg(rates[key][position], SURFACES[key].speed_mps, share) for key, share in shares.items()]


def profile_at(position: str = "front_left"):
    vehicle = read_driven()[REFERENCE].vehicle
    return next(vehicle.profile_of(damper) for damper in vehicle.dampers if damper.position == position)


@pytest.mark.parametrize("part", WEARING, ids=lambda part: part.key)
def test_ten_thousand_hard_miles_use_up_one_budget(part):
    """That is what a budget is; a weight that slips moves all that people are told."""
    assert 10_000.0 * share_per_mile(part, per_mile("hard")) == pytest.approx(1.0, rel=1e-12)


def test_mixes_have_the_names_that_people_know():
    """A distance nobody measured is told by its mix; a name of two meanings would give the wrong doses in silence."""
    assert set(SHARES) == set(MIXES)
    assert not set(SHARES) & set(SURFACES)


def test_mixes_are_shares_of_surfaces():
    """What is no heat adds up by miles; heat follows the mix, and lies between the coolest and the hottest surface."""
    for name, shares in SHARES.items():
        assert math.fsum(shares.values()) == pytest.approx(1.0, abs=1e-12)
        mixed = per_mile(name)
        for key in LINEAR:
            expected = math.fsum(share * per_mile(surface)[key] for surface, share in shares.items())
            assert mixed[key] == pytest.approx(expected, rel=1e-9), (name, key)
        for key in HEATED:
            each = [per_mile(surface)[key] for surface in shares]
            assert min(each) <= mixed[key] <= max(each), (name, key)


def test_miles_of_street_are_told_the_other_way_round():
    """`street-equivalent miles` must give back the share they come from."""
    for part in WEARING:
        assert street_miles(part, 12_000.0 * street_share_per_mile(part)) == pytest.approx(12_000.0, rel=1e-12)
    charge = next(part for part in PARTS if not part.weights)
    assert street_share_per_mile(charge) == 0.0
    with pytest.raises(InputError, match="calendar"):
        street_miles(charge, 0.5)


def test_roads_that_are_not_there_are_refused_with_those_that_are():
    with pytest.raises(InputError, match=r"street, mixed, .*street_a"):
        per_mile("moon")
    with pytest.raises(InputError, match="wasn't simulated"):
        per_mile_of((("corrugated", 1.0),), RULES, "buggy")
    with pytest.raises(InputError, match="sum of 1"):
        per_mile_of((("rough", 0.5),))


def test_one_surface_for_ever_is_at_its_plateau():
    """Closed form: on town streets the body is P / hA above the air, the oil P / G above the body."""
    profile, (leg,) = profile_at(), legs_of("street_b")
    seconds = M_PER_MILE / leg.speed_mps
    power_w, slide_mps = leg.rates.energy_j / seconds, leg.rates.sliding_m / seconds
    body_c = 25.0 + power_w / float(compute_ha_w_per_k(profile, np.array([leg.speed_mps]))[0])
    oil_c = body_c + power_w / float(compute_g_w_per_k(profile, np.array([slide_mps]))[0])
    use = mixes._drive(profile, [leg], RULES, mixes.STEP_S)
    assert use.oil_c == pytest.approx(oil_c, abs=1e-6)
    assert use.body_c == pytest.approx(body_c, abs=1e-6)
    unknown = replace(use, oil_c=np.full(len(use), np.nan), body_c=np.full(len(use), np.nan))
    assert estimate_temperatures(profile, unknown).oil_c == pytest.approx(oil_c, abs=1e-6)


def test_heat_of_a_mix_does_not_depend_on_the_steps(monkeypatch):
    """Half the step moves doses by less than 0.3 %, twice the cycles by less than 0.1 %."""
    profile, legs = profile_at(), legs_of("hard")
    usual = compute_mile_doses(profile, legs)
    fine = compute_mile_doses(profile, legs, step_s=mixes.STEP_S / 2.0)
    monkeypatch.setattr(mixes, "CYCLES", 2 * mixes.CYCLES)
    settled = compute_mile_doses(profile, legs)
    for key in HEATED:
        assert fine[key] == pytest.approx(usual[key], rel=3e-3), key
        assert settled[key] == pytest.approx(usual[key], rel=1e-3), key


def test_cool_downs_are_part_of_a_mile():
    """Without the stops ageing would be that of the drive alone; with them it is more, but no multiple."""
    profile, legs = profile_at(), legs_of("hard")
    use = mixes._drive(profile, legs, RULES, mixes.STEP_S)
    driven = compute_doses(profile, use)
    by_mile = math.fsum(driven["ageing"]) / mixes.CYCLE_MILES
    with_stops = compute_mile_doses(profile, legs)["ageing"]
    assert by_mile < with_stops < 1.6 * by_mile


@pytest.mark.parametrize("key", sorted(make_setups()))
def test_set_ups_stand_level_and_are_those_that_were_simulated(key):
    """A spring that doesn't carry its mass would bottom out all the way; a stored vehicle that isn't ours lies."""
    setup = make_setups()[key]
    data = json.loads(STORED)["setups"][key]
    assert data["vehicle"] == setup.vehicle.to_dict()
    assert (data["sprung_kg"], data["unsprung_kg"]) == (list(setup.sprung_kg), list(setup.unsprung_kg))
    assert data["tyre_n_per_m"] == setup.tyre_n_per_m
    assert set(data["by_mile"]) == set(setup.surfaces)
    profiles = [setup.vehicle.profile_of(damper) for damper in setup.vehicle.dampers]
    suspension = _parameters(setup).suspension
    car = QuarterCar(profiles, suspension, 1, 2.5e-4)
    ride_m = RIDE_RATIO * np.array([profile.stroke_m for profile in profiles])
    weight_n = suspension.sprung_kg * GRAVITY_MPS2 / suspension.motion_ratio
    assert car.static_force_n(ride_m[None])[0] == pytest.approx(weight_n, rel=1e-3)


def test_stored_figures_are_those_of_the_simulation_short():
    """Washboard hardly varies: a few seconds of it give what stands in the file, by 4 % at worst of three seeds."""
    driven = simulate(make_setups()[REFERENCE], SURFACES["corrugated"], SEED + 1, 5.0, 4.0, 1)
    for position, rates in read_driven()[REFERENCE].rates["corrugated"].items():
        assert driven[position].energy_j == pytest.approx(rates.energy_j, rel=0.08)
        assert driven[position].sliding_m == pytest.approx(rates.sliding_m, rel=0.08)


@pytest.mark.slow
@pytest.mark.parametrize("key", sorted(make_setups()))
def test_stored_figures_are_those_of_the_simulation(key):
    """Made anew they are the same to a thousandth: other processors round otherwise, and rough ground amplifies it."""
    made, stored = drive_setup(make_setups()[key]), json.loads(STORED)["setups"][key]
    for surface, by_position in made["by_mile"].items():
        for position, rates in by_position.items():
            assert rates == pytest.approx(stored["by_mile"][surface][position], rel=1e-3), (surface, position)


@pytest.mark.slow
@pytest.mark.parametrize("surface", ["street_a", "street_b", "graded", "rough"])
def test_other_roads_of_the_same_class_give_the_same_figures(surface):
    """Budgets may not hang on a seed: 5 %, of two seeds energy and sliding were 1.5 % off at worst, strokes 3 %."""
    made = simulate(make_setups()[REFERENCE], SURFACES[surface], SEED + 100, SECONDS, 15.0, RUNS)
    for position, rates in read_driven()[REFERENCE].rates[surface].items():
        assert asdict(made[position]) == pytest.approx(asdict(rates), rel=0.05), position


@pytest.mark.parametrize(
    ("change", "seen"),
    [
        (lambda data: data.update(engine="0"), "engine 0"),
        (lambda data: data.update(schema=2), "schema 2"),
        (lambda data: data.pop("engine"), "engine"),
        (lambda data: data["setups"].pop("reference"), "no set-up 'reference'"),
        (lambda data: data["setups"]["reference"].pop("vehicle"), "vehicle"),
        (lambda data: data["setups"]["buggy"]["by_mile"]["rough"].pop("front_left"), "front_left"),
        (lambda data: data["setups"]["buggy"]["by_mile"]["rough"]["front_left"].update(energy_j=-1.0), "above 0"),
        (lambda data: data["setups"]["buggy"]["by_mile"]["rough"]["front_left"].update(sliding_m=math.nan), "above 0"),
        (lambda data: data["setups"].update(reference=3), "garbles"),
    ],
)
def test_a_file_that_is_no_good_is_refused_with_a_remedy(change, seen):
    """Budgets from a damaged or outdated file would be wrong without anybody noticing."""
    data = json.loads(STORED)
    change(data)
    with pytest.raises(InputError, match=seen) as caught:
        parse_driven(json.dumps(data))
    assert "python -m dutylog.life.reference" in str(caught.value)


def test_text_that_is_no_json_is_refused():
    with pytest.raises(InputError, match="reference_doses"):
        parse_driven(STORED[:-100])


def test_reference_doses_are_absolute():
    """Doses of the reference don't depend on anybody's own damper: energy by kg of oil, as worked out by hand."""
    driven = read_driven()[REFERENCE]
    by_hand = []
    for damper in driven.vehicle.dampers:
        per_kg = driven.vehicle.profile_of(damper).oil_mass_kg
        by_hand += [
            share * driven.rates[surface][damper.position].energy_j / per_kg
            for surface, share in SHARES["hard"].items()
        ]
    assert reference_doses()["shear"] == pytest.approx(10_000.0 * math.fsum(by_hand) / 4.0, rel=1e-9)
    assert Use.of(1.0).duration_s == pytest.approx([1.0])
