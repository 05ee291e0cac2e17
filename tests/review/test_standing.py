"""Standing height is found at stops, and its changes as they are: judged by simulated vehicles whose rest is known."""

from __future__ import annotations

import json
import stat
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.processes import DEMO
from dutylog.clock import ManualClock
from dutylog.config import load
from dutylog.domain.quantity import quantity_text
from dutylog.domain.vehicle import Vehicle
from dutylog.motion.calibration import compute_travel_m
from dutylog.review.heights_book import TripHeights, read_heights, write_heights
from dutylog.review.review import FINE, LOOK, HeightTrend, StandingHeight, Words
from dutylog.review.standing import find_stops, judge_trends
from dutylog.review.trip_data import Fault, TripData
from dutylog.sim.parameters import generic_parameters
from dutylog.sim.quarter_car import QuarterCar
from dutylog.sim.roads import RoughRoad
from dutylog.sim.scenario import Scenario, Stage
from dutylog.sim.source import SimulatedSource
from dutylog.sim.vehicle import SimulatedVehicle
from review.driven_trips import GraceTruck, review
from review.made_trips import made_trip

Floats = NDArray[np.float64]

VEHICLE = load(DEMO).vehicle
PLACES = tuple(damper.position for damper in VEHICLE.dampers)
STOP_ROWS, DRIVE_ROWS = 45, 20
HEIGHT_M, TRACK_M, WHEELBASE_M = 0.7, 1.6, 3.1
SLOPE_RAD = np.radians(1.5)
"""One deviation of the ground about either axis where people stop."""
FRICTION_M = 0.002
COLD_C, WARM_C = 20.0, 60.0


def rest_m(
    mass: Floats | float = 1.0, spring: Floats | float = 1.0, gas: Floats | float = 1.0, body_c: Floats | float = WARM_C
) -> Floats:
    """Return travel at rest (runs, wheels) on level ground of the demo vehicle, its figures multiplied."""
    shape = np.broadcast_shapes(np.shape(mass), np.shape(spring), np.shape(gas), np.shape(body_c), (1, len(PLACES)))
    values = generic_parameters(VEHICLE).suspension
    warm = (np.asarray(body_c) + 273.15) / (COLD_C + 273.15)
    changed = replace(
        values,
        sprung_kg=np.broadcast_to(values.sprung_kg * mass, shape),
        spring_n_per_m=np.broadcast_to(values.spring_n_per_m * spring, shape),
        gas_pressure_pa_abs=np.broadcast_to(values.gas_pressure_pa_abs * gas * warm, shape),
    )
    car = QuarterCar([VEHICLE.profile_of(damper) for damper in VEHICLE.dampers], changed, shape[0], 0.25e-3)
    still = np.zeros((1, 1, len(PLACES)))
    return np.asarray(car.run(still, still).travel_m[0])


def slopes_mass(rng: np.random.Generator, count: int) -> Floats:
    """Return factors (count, wheels) on the mass that each wheel carries on ground that isn't level."""
    masses = generic_parameters(VEHICLE).suspension.sprung_kg
    side, end = np.tan(rng.normal(0.0, SLOPE_RAD, (2, count, 1)))
    right, rear = np.array([-1.0, 1.0, -1.0, 1.0]), np.array([-1.0, -1.0, 1.0, 1.0])
    sideways = side * right * 2.0 * masses * HEIGHT_M / TRACK_M
    lengthways = end * rear * masses.sum() * HEIGHT_M / WHEELBASE_M / 2.0
    return np.asarray(1.0 + (sideways + lengthways) / masses)


def trip_of(travel_m: Floats, body_c: Floats, rng: np.random.Generator, vehicle: Vehicle = VEHICLE) -> TripData:
    """Return a trip with a stop for each row of travels (stops, wheels), driving before and after each."""
    stops = len(travel_m)
    block = DRIVE_ROWS + STOP_ROWS
    n = stops * block + DRIVE_ROWS
    place = np.minimum(np.arange(n) // block, stops - 1)
    still = (np.arange(n) % block >= DRIVE_ROWS) & (np.arange(n) < stops * block)
    base = made_trip(seconds=n, vehicle=vehicle)
    dampers = []
    for wheel, damper in enumerate(base.dampers):
        mean_m = travel_m[place, wheel] + np.where(still, rng.normal(0, 5e-5, n), rng.normal(0, 0.02, n))
        dampers.append(
            replace(
                damper,
                travel_mean_m=mean_m.astype(np.float32),
                strokes_count=np.where(still, 0, 5),
                body_c=body_c[place].astype(np.float32),
            )
        )
    mps = np.where(still, np.abs(rng.normal(0, 0.05, n)), 15.0).astype(np.float32)
    return replace(base, moving=~still, vehicle_mps=mps, dampers=tuple(dampers))


Trip = tuple[int, Mapping[str, Floats]]
"""How often it stops, and by which factors the vehicle is another one."""


def drive(rng: np.random.Generator, trips: Sequence[Trip]) -> list[tuple[StandingHeight, ...]]:
    """Return what is found in simulated trips: ground, friction and warmth of their own at each stop."""
    bodies_c = [rng.uniform(25.0, 85.0) + rng.normal(0.0, 4.0, stops) for stops, _ in trips]
    factors = {
        name: np.concatenate([np.tile(change.get(name, np.ones(len(PLACES))), (stops, 1)) for stops, change in trips])
        for name in ("mass", "spring", "gas")
    }
    factors["mass"] *= slopes_mass(rng, len(factors["mass"]))
    travel_m = rest_m(**factors, body_c=np.concatenate(bodies_c)[:, None])
    travel_m = travel_m + rng.normal(0.0, FRICTION_M, travel_m.shape)
    ends = np.cumsum([stops for stops, _ in trips])[:-1]
    return [
        find_stops(trip_of(rows_m, body_c, rng))
        for rows_m, body_c in zip(np.split(travel_m, ends), bodies_c, strict=True)
    ]


BEGIN: list[Trip] = [(2, {})] * 3


def judge_last(found: Sequence[tuple[StandingHeight, ...]]) -> tuple[HeightTrend, ...]:
    """Return the trends of the last of some trips."""
    return judge_trends(found[-1], [TripHeights(str(n + 1), None, one) for n, one in enumerate(found[:-1])])


def said(words: Words) -> str:
    return "".join(one if isinstance(one, str) else quantity_text(one.kind, one.value) for one in words)


def random_change(kind: str, rng: np.random.Generator) -> dict[str, Floats]:
    """Return one change of a vehicle: factors by wheel."""
    factors = np.ones(len(PLACES))
    if kind == "load":
        factors[2:] = rng.uniform(1.05, 1.30)
        return {"mass": factors}
    if kind == "spring":
        factors[rng.integers(len(PLACES))] = rng.uniform(0.75, 0.95)
        return {"spring": factors}
    if kind == "gas":
        factors[rng.integers(len(PLACES))] = rng.uniform(0.1, 0.6)
        return {"gas": factors}
    return {}


def check_truth(kind: str, stops: int, seed: int, count: int) -> dict[str, float]:
    """Return, of wheels of simulated vehicles, the shares that are told rightly.

    within: the true change lies in the stated doubt. quiet: of unchanged wheels, those not told as changed. found: of
    those lower by more than 18 mm, those told as lower.
    """
    rng = np.random.default_rng((seed, stops, ("none", "load", "spring", "gas").index(kind)))
    changes = [random_change(kind, rng) for _ in range(count)]
    found = drive(rng, [trip for change in changes for trip in (*BEGIN, (stops, change))])
    within, quiet, lower = [], [], []
    for number, change in enumerate(changes):
        true_m = (rest_m(**change) - rest_m())[0]
        for trend, true in zip(judge_last(found[4 * number : 4 * number + 4]), true_m, strict=True):
            assert trend.change_m is not None
            assert trend.doubt_m is not None
            within.append(abs(trend.change_m - true) <= trend.doubt_m)
            if abs(true) < 1e-6:
                quiet.append(abs(trend.change_m) <= trend.doubt_m)
            elif true > 0.018:
                lower.append(trend.change_m > trend.doubt_m)
    shares = {"within": within, "quiet": quiet, "found": lower}
    return {name: float(np.mean(told)) for name, told in shares.items() if told}


@pytest.mark.parametrize("kind", ["none", "load", "spring", "gas"])
@pytest.mark.parametrize("stops", [1, 3])
def test_a_change_is_told_within_its_doubt_and_none_where_there_is_none(kind: str, stops: int) -> None:
    """Nineteen of twenty: of true changes in the stated doubt, and of unchanged wheels that aren't called changed."""
    shares = check_truth(kind, stops, seed=9, count=60)
    assert min(shares.values()) >= 0.95, shares


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["none", "load", "spring", "gas"])
@pytest.mark.parametrize("stops", [1, 2, 3])
def test_the_same_holds_for_many_vehicles(kind: str, stops: int) -> None:
    """The long form, with seeds of its own."""
    shares = check_truth(kind, stops, seed=1009, count=300)
    assert min(shares.values()) >= 0.95, shares


def test_who_is_asked_to_look_has_a_reason() -> None:
    """A vehicle as ever is left alone; a spring that sagged for good is told within three trips."""
    rng = np.random.default_rng(31)
    weak = np.array([1.0, 1.0, 0.85, 1.0])
    alike: list[Trip] = [*BEGIN, (2, {}), (2, {}), (2, {})]
    sagged: list[Trip] = [*BEGIN, *[(2, {"spring": weak})] * 3]
    count = 60
    found = drive(rng, [*alike, *sagged] * count)
    calls = np.zeros((2, len(PLACES)))
    for number in range(2 * count):
        trends = judge_last(found[6 * number : 6 * number + 6])
        calls[number % 2] += [trend.level == LOOK for trend in trends]
    assert calls[0].sum() <= 0.05 * count
    assert calls[1, 2] >= 0.95 * count
    assert calls[1, [0, 1, 3]].sum() <= 0.05 * count


def test_an_idling_vehicle_stands_where_its_springs_hold_it() -> None:
    """From counts of the sensors, the engine shaking it: the mean is that of the springs alone."""
    scenario = Scenario("stop", (Stage("idling", 600.0, 0.0),), ambient_c=30.0)
    masses = np.array([[1.0], [1.15]])
    values = generic_parameters(VEHICLE)
    heavy = replace(values, suspension=replace(values.suspension, sprung_kg=values.suspension.sprung_kg * masses))
    samples, _ = SimulatedVehicle(VEHICLE, heavy, scenario, seed=4, runs=2, steps_per_sample=2).advance(32_000)
    for run, factor in enumerate(masses[:, 0]):
        rows_m = [
            compute_travel_m(samples.travel_counts[:, run, wheel].astype(float), "count", damper)
            .reshape(32, 1000)
            .mean(1)
            for wheel, damper in enumerate(VEHICLE.dampers)
        ]
        found = find_stops(standing_trip(np.array(rows_m).T))
        true_m = rest_m(mass=factor, body_c=30.0)[0]
        assert [one.position for one in found] == list(PLACES)
        for one, true in zip(found, true_m, strict=True):
            # 0.1 mm: a step of the 12-bit sensor is 0.07 mm; the stated deviation is that of friction
            assert one.travel_m == pytest.approx(true, abs=1e-4)
            assert one.sd_m == pytest.approx(FRICTION_M, rel=0.01)
            assert one.seconds == 27.0


class SimulatedTruck(GraceTruck):
    """The demo vehicle, whose sensors read what is simulated."""

    def __init__(self, data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        super().__init__(data, monkeypatch)
        self.vehicle = VEHICLE


@pytest.mark.slow
def test_load_shows_through_log_and_review(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All the way: sensors, log, engine, ledger, the review's pass over the log, the stop between two drives."""
    truck = SimulatedTruck(tmp_path / "data", monkeypatch)
    rough = (RoughRoad("C"),)
    stages = (Stage("drive", 25.0, 12.0, rough), Stage("stop", 60.0, 0.0), Stage("drive on", 15.0, 12.0, rough))
    values = generic_parameters(VEHICLE)
    loads = (np.ones(4), np.array([1.0, 1.0, 1.12, 1.12]))
    for number, load_ratio in enumerate(loads):
        mass_kg = values.suspension.sprung_kg * load_ratio
        loaded = replace(values, suspension=replace(values.suspension, sprung_kg=mass_kg))
        clock = ManualClock(mono_ns=(1 + number) * 10**12)
        scenario = Scenario("errand", stages, ambient_c=25.0)
        truck.drive(0, 0, source=SimulatedSource(VEHICLE, scenario, number, 0, clock, loaded, seconds=100.0))
    for key, load_ratio in zip(("1", "2"), loads, strict=True):
        found = find_stops(review(truck, key)[0])
        assert [one.position for one in found] == list(PLACES)
        true_m = rest_m(mass=load_ratio, body_c=25.0)[0]
        for one, true in zip(found, true_m, strict=True):
            # the stop is 60 s, the brakes take 6 of them, motion counts 10 s longer than it lasts
            assert one.seconds == pytest.approx(45.0, abs=2.0)
            # half a step of the sensor, 0.04 mm, and half a kelvin of warmth in the gas, 0.02 mm
            assert one.travel_m == pytest.approx(true, abs=1e-4)


def standing_trip(rows_m: Floats) -> TripData:
    """Return a trip that stands all the time with rows (n, wheels) of travel."""
    base = made_trip(seconds=len(rows_m))
    dampers = tuple(
        replace(damper, travel_mean_m=rows_m[:, wheel].astype(np.float32), strokes_count=np.zeros(len(rows_m), int))
        for wheel, damper in enumerate(base.dampers)
    )
    still = np.zeros(len(rows_m))
    return replace(base, moving=still > 0, vehicle_mps=still.astype(np.float32), dampers=dampers)


def test_travel_left_is_told_to_bump_stop_and_strap_where_they_are_told() -> None:
    """Ride height set by these two: bump travel and droop travel."""
    trip = standing_trip(np.full((60, len(PLACES)), 0.1))
    bare = replace(trip, dampers=tuple(replace(one, bump_stop_m=None, strap_m=None) for one in trip.dampers))
    for damper, told, plain in zip(trip.dampers, find_stops(trip), find_stops(bare), strict=True):
        assert told.to_bump_m == pytest.approx(damper.bump_stop_m - 0.1)
        assert told.to_droop_m == pytest.approx(0.1 - damper.strap_m)
        assert plain.to_bump_m == pytest.approx(damper.stroke_m - 0.1)
        assert plain.to_droop_m == pytest.approx(0.1)
    first = find_stops(trip, "full tank")[0]
    assert (first.start_s, first.utc_s, first.load_note) == (5.0, trip.start_utc_s + 5.0, "full tank")
    assert find_stops(replace(trip, start_utc_s=None))[0].utc_s is None


def with_rows(trip: TripData, **changes: Any) -> TripData:
    return replace(trip, dampers=tuple(replace(one, **changes) for one in trip.dampers))


def test_what_is_no_stop_gives_no_height() -> None:
    """A mean over motion, a gap or a broken sensor is a wrong height that nobody would doubt."""
    trip = standing_trip(np.full((60, len(PLACES)), 0.1))
    assert len(find_stops(trip)) == len(PLACES)
    assert find_stops(replace(trip, moving=np.ones(60, bool))) == ()
    rolling = np.full(60, 0.6, np.float32)
    assert find_stops(replace(trip, vehicle_mps=rolling)) == ()
    strokes = np.zeros(60, int)
    strokes[30] = 1  # somebody gets in
    assert find_stops(with_rows(trip, strokes_count=strokes)) == ()
    gap_s = trip.t_s + np.where(np.arange(60) < 30, 0.0, 5.0)
    assert find_stops(replace(trip, t_s=gap_s)) == ()
    unknown = np.full(60, 0.1, np.float32)
    unknown[10:50] = np.nan
    assert find_stops(with_rows(trip, travel_mean_m=unknown)) == ()
    assert find_stops(with_rows(trip, measured_us=np.zeros(60, int))) == ()
    short = standing_trip(np.full((30, len(PLACES)), 0.1))
    assert find_stops(short) == ()


def test_a_stop_with_unknown_speed_counts_and_a_faulty_damper_alone_is_left_out() -> None:
    """Without a receiver stops are known by the dampers' rest."""
    trip = standing_trip(np.full((60, len(PLACES)), 0.1))
    faults = (Fault(PLACES[0], "travel_stuck", 20.0, 25.0), Fault(PLACES[1], "thermocouple_open", 0.0, None))
    blind = replace(trip, vehicle_mps=np.full(60, np.nan, np.float32), faults=faults)
    assert [one.position for one in find_stops(blind)] == list(PLACES[1:])
    over = replace(trip, faults=(Fault(PLACES[0], "travel_stuck", 61.0, None),))
    assert len(find_stops(over)) == len(PLACES)


# what is said


def heights(travel_mm: Sequence[float], note: str | None = None, body_c: float | None = 40.0) -> TripHeights:
    """Return a trip with two stops alike."""
    rows = [
        StandingHeight(place, at, 60.0, mm / 1e3, 0.002, 0.1, 0.1, None, body_c, note)
        for at in (100.0, 900.0)
        for place, mm in zip(PLACES, travel_mm, strict=True)
    ]
    return TripHeights("1", None, tuple(rows))


BASE = (100.0, 100.0, 120.0, 120.0)


def judged(now: Sequence[float], later: Sequence[Sequence[float]] = (), **told: Any) -> dict[str, HeightTrend]:
    """Return trends of a trip after three alike at the beginning and some later ones."""
    gas = told.pop("gas", {})
    earlier = [heights(BASE), heights(BASE), heights(BASE), *(heights(one) for one in later)]
    return {one.position: one for one in judge_trends(heights(now, **told).heights, earlier, gas)}


def test_one_wheel_that_stays_low_is_a_spring_and_one_that_was_low_once_is_not() -> None:
    """Pairs on either side of the rule: three trips, this one included."""
    low = (100.0, 100.0, 135.0, 120.0)
    stays = judged(low, [low, low])["rear_left"]
    assert stays.level == LOOK
    assert "spring" in said(stays.words)
    assert "for 3 trips" in said(stays.words)
    assert stays.change_m == pytest.approx(0.015)
    assert stays.trips_count == 6
    assert stays.stops_count == 12
    once = judged(low, [low])["rear_left"]
    assert once.level == FINE
    assert "if it stays" in said(once.words)
    back = judged(BASE, [low, low])["rear_left"]
    assert said(back.words).startswith("stands as it did at its first stops, within")
    between = judged(low, [low, BASE, low])["rear_left"]
    assert between.level == FINE


def test_both_of_an_axle_are_a_load_until_they_stay() -> None:
    """Fuel and people come and go; springs don't come back."""
    low = (100.0, 100.0, 135.0, 134.0)
    once = judged(low)
    assert {once["rear_left"].level, once["rear_right"].level} == {FINE}
    assert "load or fuel does that" in said(once["rear_left"].words)
    stays = judged(low, [low, low])["rear_right"]
    assert stays.level == LOOK
    assert "so does rear left" in said(stays.words)
    assert "springs that settled" in said(stays.words)


def test_a_slope_is_told_as_one() -> None:
    """Left down and right up, or front down and rear up: no spring does that."""
    side = judged((112.0, 88.0, 132.0, 108.0))
    end = judged((112.0, 112.0, 108.0, 108.0))
    for one in (*side.values(), *end.values()):
        assert one.level == FINE
        assert "as they do on a slope" in said(one.words)


def test_a_load_note_is_compared_with_its_own_and_else_says_so() -> None:
    """Whoever tells of a full tank isn't told of sagged springs."""
    low = (100.0, 100.0, 140.0, 140.0)
    new = judged(low, note="full tank")["rear_left"]
    assert new.level == FINE
    assert "load explains it" in said(new.words)
    earlier = [heights(BASE), heights(low, "Full  Tank"), heights(BASE)]
    known = {one.position: one for one in judge_trends(heights(low, "full tank").heights, earlier)}
    assert known["rear_left"].change_m == 0.0
    assert "with the load 'full tank'" in said(known["rear_left"].words)
    assert known["rear_left"].trips_count == 2


def test_gas_that_falls_too_is_said_only_of_a_wheel_that_is_lower() -> None:
    """A lost charge lowers a wheel by about a centimetre; one that stands as before has another reason."""
    low = (100.0, 100.0, 135.0, 120.0)
    found = judged(low, gas={"rear_left": True, "rear_right": True})
    assert found["rear_left"].level == LOOK
    assert "have the charge read when cold" in said(found["rear_left"].words)
    assert found["rear_right"].level == FINE
    assert "gas" not in said(found["rear_right"].words)


def test_a_wheel_far_down_is_looked_at_at_once() -> None:
    """A broken spring doesn't wait for three trips."""
    assert judged((100.0, 100.0, 144.0, 120.0))["rear_left"].level == FINE
    assert judged((100.0, 100.0, 146.0, 120.0))["rear_left"].level == LOOK


def test_warmth_widens_the_doubt_where_no_stop_was_as_warm() -> None:
    """Hot gas lifts; what nobody measured is in doubt."""
    cold, hot, unknown = (judged(BASE, body_c=body_c)["rear_left"].doubt_m for body_c in (40.0, 110.0, None))
    assert cold is not None
    assert hot is not None
    assert unknown is not None
    assert hot**2 == pytest.approx(cold**2 + (6e-5 * 70) ** 2)
    assert unknown**2 == pytest.approx(cold**2 + (6e-5 * 40) ** 2)


def test_the_first_stops_have_nothing_to_be_compared_with() -> None:
    """A new vehicle isn't told that all is as ever."""
    trends = judge_trends(heights(BASE).heights, ())
    assert [one.change_m for one in trends] == [None] * len(PLACES)
    assert "nothing to compare with yet" in said(trends[0].words)
    assert judge_trends((), [heights(BASE)]) == ()


# the book


def test_heights_are_read_back_as_written_and_damaged_files_are_left_out(tmp_path: Path) -> None:
    """Trends go on for years; one bad file must not end them."""
    for key in ("2", "10", "9.2", "9.1"):
        write_heights(tmp_path, replace(heights(BASE, "full"), key=key, start_utc_s=1.5e9))
    assert [one.key for one in read_heights(tmp_path)] == ["2", "9.1", "9.2", "10"]
    assert read_heights(tmp_path)[0].heights == heights(BASE, "full").heights
    assert [one.key for one in read_heights(tmp_path, known={"2": (), "10": (), "11": ()})] == ["2", "10"]
    noted = read_heights(tmp_path, load_notes={"9": "empty", "9.2": "two people"})
    assert [one.heights[0].load_note for one in noted] == [None, "empty", "two people", None]
    file = tmp_path / "reviews" / "trip-2" / "heights.json"
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    assert [one.name for one in file.parent.iterdir()] == ["heights.json"]
    good = file.read_bytes()
    content = json.loads(good)
    bad = [{**content, "schema": 2}, {**content, "key": "3"}, {**content, "start_utc_s": "now"}, []]
    bad += [{**content, "heights": [{**content["heights"][0], "travel_m": None}]}, {**content, "heights": None}]
    bad += [{**content, "heights": [{**content["heights"][0], "position": 3}]}, {**content, "heights": [[]]}]
    texts = [json.dumps(one).encode() for one in bad] + [b"", b"\xff", b"[" * 60_000, good[:-3], b" " * 2_000_000]
    texts += [good.replace(b"0.12", b"1" * 400), good.replace(b"0.12", b"NaN"), good.replace(b'"key":"2"', b'"key":2')]
    texts += [json.dumps({**content, "spans": spans}).encode() for spans in (None, 3, [3], [["x"]], [[None]])]
    for text in texts:
        file.write_bytes(text)
        assert [one.key for one in read_heights(tmp_path)] == ["9.1", "9.2", "10"], text[:80]
    assert read_heights(tmp_path / "nowhere") == ()


def test_heights_of_another_cut_of_a_trip_are_left_out(tmp_path: Path) -> None:
    """A split that was undone and made elsewhere: part 9.1 is another stretch of time, without old stops."""
    spans = ((1, 0, 5, 100), (2, 0, 7, 50))
    write_heights(tmp_path, replace(heights(BASE), key="9.1", spans=spans))
    assert [one.spans for one in read_heights(tmp_path, known={"9.1": spans})] == [spans]
    assert read_heights(tmp_path, known={"9.1": ((1, 0, 5, 101), (2, 0, 7, 50))}) == ()
    assert [one.key for one in read_heights(tmp_path)] == ["9.1"]
