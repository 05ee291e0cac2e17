"""Simulated drives as TripData: true duty second by second, so that comparisons can be judged by what is true."""

from dataclasses import replace

import numpy as np

from dutylog.domain.vehicle import ForceAt, ForceCurve
from dutylog.review.trip_data import Segment
from dutylog.sim.parameters import generic_parameters
from dutylog.sim.scenario import Timeline
from dutylog.sim.vehicle import SimulatedVehicle
from review.made_trips import made_trip


def drive(vehicle, scenario, kinds, roads, seed, told_ratio=None):
    """Return one TripData for each of `roads` different roads of the same make.

    Args:
        kinds: of the scenario's stages. told_ratio: by position, told force by true force; heat is counted by what is
            told (a curve that scales by one number at every speed scales heat alike).
    """
    seconds = round(scenario.lap_s)
    simulated = SimulatedVehicle(vehicle, generic_parameters(vehicle), scenario, seed, runs=roads, roads=roads)
    truths = [simulated.truth()] + [simulated.advance(1000)[1] for _ in range(seconds)]
    arrays = {
        name: np.stack([getattr(one, name) for one in truths])
        for name in ("energy_compression_j", "energy_rebound_j", "shaft_travel_m", "strokes", "bottom_outs", "body_c")
    }
    mps = Timeline(scenario).motion(np.arange(seconds) + 0.5)[1]
    ends_s = np.cumsum([stage.seconds for stage in scenario.stages])
    starts_s = np.concatenate([[0.0], ends_s[:-1]])
    segments = tuple(Segment(*one) for one in zip(kinds, starts_s.tolist(), ends_s.tolist(), strict=True))
    return [_trip(vehicle, arrays, mps, segments, road, told_ratio or {}) for road in range(roads)]


def stiffer(vehicle, position, ratio):
    """Return a vehicle with the force of one damper times a ratio, as a profile of its own."""
    damper = next(one for one in vehicle.dampers if one.position == position)
    profile = vehicle.profile_of(damper)
    force = tuple(
        ForceAt(one.travel_m, ForceCurve(one.curve.speeds_mps, tuple(ratio * n for n in one.curve.forces_n)))
        for one in profile.force
    )
    other = replace(profile, name=f"{profile.name}-x", force=force)
    dampers = tuple(replace(one, profile=other.name) if one is damper else one for one in vehicle.dampers)
    return replace(vehicle, dampers=dampers, profiles=(*vehicle.profiles, other))


def as_told(data, vehicle):
    """Return the trip as one who knows nothing of another curve has it."""
    return replace(data, vehicle=vehicle)


def _trip(vehicle, arrays, mps, segments, road, told_ratio):
    seconds = len(mps)
    base = made_trip(seconds=seconds, seed=1, key=str(road + 1), vehicle=vehicle)

    def micro(name, column, ratio=1.0):
        values = np.diff(arrays[name][:, road, column] * ratio * 1e6)
        return np.round(values).astype(np.int64)

    dampers = []
    for column, one in enumerate(base.dampers):
        ratio = told_ratio.get(one.position, 1.0)
        totals = one.totals.copy()
        inwards, outwards = (micro(f"energy_{way}_j", column, ratio) for way in ("compression", "rebound"))
        totals.energy_compression_uj, totals.energy_rebound_uj = int(inwards.sum()), int(outwards.sum())
        dampers.append(
            replace(
                one,
                energy_compression_uj=inwards,
                energy_rebound_uj=outwards,
                shaft_travel_um=micro("shaft_travel_m", column),
                strokes_count=np.diff(arrays["strokes"][:, road, column]).astype(np.int64),
                bottom_outs_count=np.diff(arrays["bottom_outs"][:, road, column]).astype(np.int64),
                measured_us=np.full(seconds, 1_000_000, dtype=np.int64),
                body_c=arrays["body_c"][1:, road, column].astype(np.float32),
                totals=totals,
            )
        )
    return replace(
        base,
        moving=mps > 1.0,
        vehicle_mps=mps.astype(np.float32),
        ambient_c=np.full(seconds, 30.0, dtype=np.float32),
        distance_m=np.cumsum(mps),
        dampers=tuple(dampers),
        contacts=(),
        faults=(),
        segments=segments,
    )
