"""Invented trips and reviews: quick to make, for tests of what is told and shown, never of what is measured."""

from __future__ import annotations

import numpy as np

from daemon.processes import DEMO
from dutylog import ENGINE
from dutylog.config import load
from dutylog.duty.histograms import POSITION_BINS, SPEED_BINS
from dutylog.duty.strokes import FREQUENCY_EDGES_HZ, LENGTH_BINS
from dutylog.duty.totals import Totals
from dutylog.review.review import (
    ACT,
    FINE,
    LOOK,
    CareItem,
    DamperRow,
    Difference,
    Figure,
    HeightTrend,
    Review,
    RoadRow,
    Sentence,
    StandingHeight,
    TripFacts,
    UsedPart,
)
from dutylog.review.trip_data import (
    BOTTOMED,
    BUMP_STOP,
    GRADED,
    PARKED,
    STRAP,
    TOPPED_OUT,
    WASHBOARD,
    Contact,
    DamperData,
    Fault,
    Segment,
    TripData,
)

START_UTC_S = 1_790_000_000.0


def made_trip(seconds=1800, seed=1, key="7", with_gps=True, with_speed=True, with_body=True, vehicle=None):
    """Return a trip of three parts: graded, washboard, then a stop."""
    rng = np.random.default_rng(seed)
    vehicle = vehicle or load(DEMO).vehicle
    n = int(seconds)
    t_s = np.arange(n, dtype=float)
    stage = np.minimum(t_s * 3 // n, 2).astype(int)
    mps = np.array([18.0, 13.0, 0.0])[stage] + (stage < 2) * rng.normal(0, 0.5, n)
    distance_m = np.cumsum(mps)
    dampers = tuple(_damper(vehicle, damper, row, stage, rng, with_body) for row, damper in enumerate(vehicle.dampers))
    bearing = np.cumsum(rng.normal(0, 0.01, n))
    north_m, east_m = np.cumsum(mps * np.cos(bearing)), np.cumsum(mps * np.sin(bearing))
    latitude_deg, longitude_deg = 32.0 + north_m / 111_000, -115.0 + east_m / 94_000
    unknown = np.full(n, np.nan)
    ends = [round(n / 3), round(2 * n / 3)]
    contacts = tuple(
        Contact(
            dampers[k % len(dampers)].position,
            (BOTTOMED, BUMP_STOP, STRAP, TOPPED_OUT)[k % 4],
            float(at),
            round(0.5 + 0.2 * k, 2),
            float(mps[at]) if with_speed else None,
            float(distance_m[at]) if with_speed else None,
            float(latitude_deg[at]) if with_gps else None,
            float(longitude_deg[at]) if with_gps else None,
        )
        for k, at in enumerate(np.linspace(0, ends[1] - 1, 9).astype(int))
    )
    return TripData(
        key=key,
        engine=ENGINE,
        vehicle=vehicle,
        start_utc_s=START_UTC_S,
        utc_trusted=True,
        t_s=t_s,
        dt_s=np.ones(n),
        moving=stage < 2,
        vehicle_mps=(mps if with_speed else unknown).astype(np.float32),
        ambient_c=np.full(n, 34.0, dtype=np.float32),
        latitude_deg=latitude_deg if with_gps else unknown,
        longitude_deg=longitude_deg if with_gps else unknown,
        distance_m=distance_m if with_speed else unknown,
        dampers=dampers,
        contacts=contacts,
        segments=(
            Segment(GRADED, 0.0, float(ends[0])),
            Segment(WASHBOARD, float(ends[0]), float(ends[1])),
            Segment(PARKED, float(ends[1]), float(n)),
        ),
        faults=(Fault(dampers[0].position, "thermocouple_open", 10.0, 14.0),),
        is_raw_whole=True,
    )


def _damper(vehicle, damper, row, stage, rng, with_body):
    n = len(stage)
    power_w = np.array([150.0, 420.0, 0.0])[stage] * (1.0 + 0.1 * row) * rng.uniform(0.7, 1.3, n)
    energy_uj = np.round(power_w * 1e6).astype(np.int64)
    inwards_uj = energy_uj // 3
    strokes = np.array([4, 14, 0])[stage].astype(np.int64)
    bottoms = (rng.random(n) < 0.004).astype(np.int64) * (stage < 2)
    body_c = 34.0 + np.cumsum(power_w - 3.0 * np.arange(n) / n * 60) / 9000.0
    stroke_m = vehicle.profile_of(damper).stroke_m
    mean_m = np.full(n, 0.4 * stroke_m) + np.where(stage < 2, rng.normal(0, 0.004, n), 0.0)
    swing_m = np.array([0.02, 0.03, 0.0005])[stage]
    by_speed = np.zeros(SPEED_BINS, dtype=np.int64)
    shape = np.exp(-0.5 * ((np.arange(SPEED_BINS) - SPEED_BINS // 2 - 4) / 3.0) ** 2)
    by_speed[:] = shape / shape.sum() * energy_uj.sum()
    times = np.zeros(SPEED_BINS, dtype=np.int64)
    times[:] = np.exp(-0.5 * ((np.arange(SPEED_BINS) - SPEED_BINS // 2) / 4.0) ** 2) / 10 * n * 1e9
    places = np.zeros(POSITION_BINS, dtype=np.int64)
    places[10:50] = np.exp(-0.5 * ((np.arange(40) - 14.0) / 5.0) ** 2) / 12.5 * n * 1e9
    joint = np.zeros((LENGTH_BINS, len(FREQUENCY_EDGES_HZ) + 1), dtype=np.int64)
    joint[1, 9], joint[3, 2] = int(strokes[stage == 1].sum()), int(strokes[stage == 0].sum())
    travel_um = np.array([90_000, 260_000, 0])[stage].astype(np.int64)
    totals = Totals()
    totals.energy_compression_uj, totals.energy_rebound_uj = int(inwards_uj.sum()), int((energy_uj - inwards_uj).sum())
    totals.strokes_count, totals.compression_strokes_count = int(strokes.sum()), int(strokes.sum()) // 2
    totals.shaft_travel_um = totals.stroke_travel_um = int(travel_um.sum())
    totals.bottom_outs_count = int(bottoms.sum())
    totals.measured_us = n * 1_000_000
    totals.moving_us = totals.moving_measured_us = int((stage < 2).sum()) * 1_000_000
    totals.peak_compression_umps, totals.peak_rebound_umps = 2_400_000, 1_900_000
    totals.peak_body_mc = round(float(body_c.max()) * 1000) if with_body else None
    singles = np.float32
    return DamperData(
        position=damper.position,
        wheel=damper.wheel,
        unit_id=f"00000000-0000-4000-8000-00000000000{row}",
        label=damper.serial or f"D{row + 1}",
        stroke_m=stroke_m,
        bump_stop_m=damper.bump_stop_m,
        strap_m=damper.strap_m,
        energy_compression_uj=inwards_uj,
        energy_rebound_uj=energy_uj - inwards_uj,
        shaft_travel_um=travel_um,
        strokes_count=strokes,
        bottom_outs_count=bottoms,
        measured_us=np.full(n, 1_000_000, dtype=np.int64),
        body_c=(body_c if with_body else np.full(n, np.nan)).astype(singles),
        rms_mps=np.array([0.2, 0.45, 0.0])[stage].astype(singles),
        travel_mean_m=mean_m.astype(singles),
        travel_min_m=(mean_m - swing_m).astype(singles),
        travel_max_m=(mean_m + swing_m).astype(singles),
        gas_pa=np.full(n, np.nan, dtype=singles),
        totals=totals,
        energy_by_speed_uj=by_speed,
        time_by_speed_ns=times,
        time_by_position_ns=places,
        strokes_by_length_frequency=joint,
    )


def made_review(data=None, name="Dry lake loop", bottom_outs=14):
    """Return a review of an invented trip with something in every list."""
    data = data or made_trip()
    dampers = tuple(_damper_row(damper, data, bottom_outs) for damper in data.dampers)
    total_j = sum(row.energy_j for row in dampers)
    positions = [row.position for row in dampers]
    roads = tuple(_road_row(data, one, total_j) for one in data.segments)
    third_s = data.segments[-1].start_s
    heights = tuple(
        StandingHeight(place, third_s, 120.0, 0.1, 0.002, 0.094, 0.1, START_UTC_S + third_s, 60.0, "full tank")
        for place in positions
    )
    return Review(
        facts=TripFacts(
            data.key,
            name,
            False,
            START_UTC_S,
            START_UTC_S + data.end_s,
            True,
            data.end_s,
            third_s,
            float(data.distance_m[-1]),
            total_j,
            0.99,
            None,
            "dry dust, not washed yet",
            "full tank",
        ),
        verdict=(
            Sentence(
                "bottomed",
                ACT,
                (positions[-1],),
                ("rear right bottomed ", Figure("count", bottom_outs), " times"),
                ("said from ", Figure("count", 3), " bottom-outs on"),
            ),
            Sentence(
                "side_heat",
                LOOK,
                (positions[-1], positions[-2]),
                ("rear right took ", Figure("change_ratio", 0.38), " more heat than rear left"),
                ("said from ", Figure("change_ratio", 0.15), " on"),
            ),
            Sentence(
                "roads",
                FINE,
                (),
                (Figure("distance_m", 29_000.0), " of washboard made ", Figure("share_ratio", 0.55), " of the heat"),
                ("the road with the largest share",),
            ),
        ),
        dampers=dampers,
        roads=roads,
        segments=data.segments,
        hits=tuple(sorted(data.contacts, key=lambda one: -one.speed_mps)),
        heights=heights,
        trends=tuple(
            HeightTrend(place, 6, 3, 0.012, 0.004, LOOK, ("stands ", Figure("travel_m", 0.012), " lower than at first"))
            for place in positions[:1]
        ),
        differences=(
            Difference(
                "heat a metre on washboard",
                "rear left",
                "rear right",
                "energy_per_m",
                88.0,
                121.0,
                1.38,
                1.2,
                1.57,
                True,
                ("more than its doubt",),
                "same road, same trip",
            ),
            Difference(
                "heat a metre on graded",
                "front left",
                "front right",
                "energy_per_m",
                20.0,
                20.6,
                1.03,
                0.94,
                1.12,
                False,
                ("within its doubt",),
                "same road, same trip",
            ),
        ),
        care=(
            CareItem(
                "cool",
                ("Let them cool below ", Figure("temperature_c", 50.0), " first"),
                ("hottest ", Figure("temperature_c", 96.0)),
                True,
                ("A hot damper burns; never pour water on it.",),
                None,
                None,
                None,
                None,
            ),
            CareItem(
                "wash",
                ("Wash by hand",),
                ("dust was told",),
                True,
                None,
                "Ana",
                START_UTC_S + 9000,
                31,
                "with a sponge",
            ),
            CareItem(
                "gas", ("Read the nitrogen when cold",), ("read 3 days ago",), False, None, None, None, None, None
            ),
        ),
        ambient_c=(33.0, 35.0),
        track_points_count=len(data.t_s),
        is_raw_whole=True,
        cost_problem="",
        notes=(),
    )


def _damper_row(damper, data, bottom_outs):
    totals = damper.totals
    return DamperRow(
        damper.position,
        damper.wheel,
        damper.unit_id,
        damper.label,
        totals.energy_uj / 1e6,
        totals.energy_compression_uj / 1e6,
        totals.energy_rebound_uj / 1e6,
        totals.strokes_count,
        totals.shaft_travel_um / 1e6,
        bottom_outs,
        2.4,
        1.9,
        None if totals.peak_body_mc is None else totals.peak_body_mc / 1e3,
        62.0,
        900.0,
        data.end_s,
        0.0,
        0.99,
        {BUMP_STOP: 31, BOTTOMED: bottom_outs, STRAP: 2, TOPPED_OUT: 1},
        (UsedPart("shaft_seal", "shaft seal", 0.021), UsedPart("oil", "oil", 0.012)),
        410.0,
    )


def _road_row(data, segment, total_j):
    seconds = segment.end_s - segment.start_s
    inside = (data.t_s >= segment.start_s) & (data.t_s < segment.end_s)
    energy_j = {damper.position: float(damper.energy_uj[inside].sum()) / 1e6 for damper in data.dampers}
    distance_m = float(data.vehicle_mps[inside].sum())
    share = sum(energy_j.values()) / total_j if total_j else 0.0
    per_m = sum(energy_j.values()) / distance_m if distance_m > 1 else None
    return RoadRow(segment.kind, seconds, distance_m, distance_m / seconds, energy_j, share, per_m)
