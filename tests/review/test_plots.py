"""The arrays behind the pictures: no peak is lost, nothing unknown becomes zero, and a phone can carry them."""

from __future__ import annotations

import gzip
import itertools
import json
import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from dutylog.duty.histograms import SPEED_BINS
from dutylog.review.plot_track import M_PER_DEGREE, project
from dutylog.review.plots import BINS, DETAIL_S, encode, heat_rows_w, make_details, make_plots
from dutylog.review.trip_data import BOTTOMED, CONTACT_KINDS, Contact
from review.made_trips import made_review, made_trip

LONG_S = 36_000
MEASURED = ("measured_us", "energy_compression_uj", "energy_rebound_uj")


def plots_of(data):
    return make_plots(data, made_review(data))


def without_rows(data, gone):
    """Return the trip with the rows of a mask missing from the log."""
    keep = ~gone
    cut = lambda part: {  # noqa: E731
        name: getattr(part, name)[keep]
        for name in part.__slots__
        if isinstance(getattr(part, name), np.ndarray) and len(getattr(part, name)) == len(gone)
    }
    return replace(data, **{**cut(data), "dampers": tuple(replace(one, **cut(one)) for one in data.dampers)})


def test_the_highest_second_of_ten_hours_is_in_the_picture():
    """One hot second in 36 000 is what somebody looks for."""
    data = made_trip(LONG_S)
    body, heat = data.dampers[2].body_c.copy(), data.dampers[2].energy_compression_uj.copy()
    hottest_c = round(float(body.max()) + 10.0, 1)
    body[20_011], heat[20_011] = hottest_c, 9_000_000_000
    data = replace(
        data,
        dampers=(*data.dampers[:2], replace(data.dampers[2], body_c=body, energy_compression_uj=heat), data.dampers[3]),
    )
    time = plots_of(data)["time"]
    assert len(time["t_s"]) <= BINS
    at = time["body_high_c"][2].index(hottest_c)
    assert time["t_s"][at] <= 20_011 < time["t_s"][at] + time["width_s"]
    assert max(time["heat_high_w"][2]) == round(float(heat_rows_w(data.dampers[2])[20_011]))


def test_lowest_and_mean_are_those_of_the_rows():
    """Every bin against the rows it stands for."""
    data = made_trip(5000)
    time, damper = plots_of(data)["time"], data.dampers[1]
    for place, start in enumerate(time["t_s"]):
        rows = slice(int(start), int(start + time["width_s"]))
        assert time["body_low_c"][1][place] == pytest.approx(float(damper.body_c[rows].min()), abs=0.051)
        assert time["body_high_c"][1][place] == pytest.approx(float(damper.body_c[rows].max()), abs=0.051)
        assert time["heat_w"][1][place] == pytest.approx(
            damper.energy_uj[rows].sum() / 1e6 / len(damper.energy_uj[rows]), abs=0.51
        )


def test_what_was_not_measured_is_unknown_and_counts_against_coverage():
    """A dead sensor must not look like a cool, idle damper."""
    data = made_trip(1000)
    dead = np.arange(1000) >= 600
    damper = data.dampers[0]
    still = {name: np.where(dead, 0, getattr(damper, name)) for name in MEASURED}
    data = replace(
        data,
        dampers=(
            replace(damper, **still, body_c=np.where(dead, np.nan, damper.body_c).astype(np.float32)),
            *data.dampers[1:],
        ),
    )
    plots = plots_of(data)
    late = [place for place, start in enumerate(plots["time"]["t_s"]) if start >= 600]
    assert {plots["time"]["heat_w"][0][place] for place in late} == {None}
    assert {plots["time"]["body_high_c"][0][place] for place in late} == {None}
    assert {plots["coverage"][0]["measured_ratio"][place] for place in late} == {0}
    assert set(plots["coverage"][1]["measured_ratio"]) == {1}


def test_a_hole_in_the_log_has_no_bins():
    """The line is broken there; nothing is drawn across."""
    data = made_trip(3000)
    plots = plots_of(without_rows(data, (data.t_s >= 1000) & (data.t_s < 2000)))
    times = plots["time"]["t_s"]
    assert not [start for start in times if 1000 <= start < 2000 - plots["time"]["width_s"]]
    assert max(b - a for a, b in itertools.pairwise(times)) > 900


def test_a_damper_that_came_on_the_way_goes_on_for_its_place():
    """Two dampers, one place: coverage is of the place, lines bear their labels."""
    data = made_trip(1000)
    first = data.dampers[0]
    early = np.arange(1000) < 400
    halves = []
    for label, mask in (("A", early), ("B", ~early)):
        cut = {name: np.where(mask, getattr(first, name), 0) for name in MEASURED}
        halves.append(replace(first, label=label, **cut))
    data = replace(data, dampers=(*halves, *data.dampers[1:]))
    plots = plots_of(data)
    assert [one["label"] for one in plots["dampers"]] == ["A", "B", "", "", ""]
    assert [one["position"] for one in plots["coverage"]] == [one.position for one in data.dampers[1:]]
    assert set(plots["coverage"][0]["measured_ratio"]) == {1}


def test_every_hit_is_counted_and_the_hardest_are_kept():
    """A thousand bump stop touches must not weigh down a phone, nor hide the one that matters."""
    rng = np.random.default_rng(5)
    data = made_trip(LONG_S)
    hits = tuple(
        Contact(
            data.dampers[int(rng.integers(4))].position,
            CONTACT_KINDS[int(rng.integers(4))],
            float(at),
            float(rng.uniform(0.1, 3)),
        )
        for at in np.sort(rng.uniform(0, LONG_S, 20_000))
    )
    data = replace(data, contacts=hits)
    shown = plots_of(data)["hits"]
    assert len(shown) <= 4 * 4 * BINS
    assert sum(hit["count"] for hit in shown) == 20_000
    assert Counter(hit.kind for hit in hits) == {
        kind: sum(hit["count"] for hit in shown if hit["kind"] == kind) for kind in CONTACT_KINDS
    }
    for kind in CONTACT_KINDS:
        hardest = max((hit for hit in hits if hit.kind == kind), key=lambda hit: hit.speed_mps)
        assert max(hit["speed_mps"] for hit in shown if hit["kind"] == kind) == pytest.approx(
            hardest.speed_mps, abs=6e-4
        )


def test_shares_and_counts_of_the_histograms_add_up():
    """Classes that were put together lose nothing."""
    data = made_trip()
    plots = plots_of(data)
    for place, damper in enumerate(data.dampers):
        assert len(plots["speed"]["energy_ratio"][place]) == SPEED_BINS == 2 * len(plots["speed"]["edges_mps"]) + 1
        for shares in (plots["speed"]["energy_ratio"], plots["speed"]["time_ratio"], plots["position"]["time_ratio"]):
            assert sum(shares[place]) == pytest.approx(1.0, abs=1e-3)
        counts = plots["strokes"]["counts"][place]
        assert sum(count for _, _, count in counts) == int(damper.strokes_by_length_frequency.sum())
    # made_trips puts the strokes of washboard at 5 to 10 mm and 12 to 15 Hz: below 10 mm, between those edges
    length, frequency, _ = max(plots["strokes"]["counts"][0], key=lambda one: one[2])
    edges = plots["strokes"]["frequency_edges_hz"]
    assert (length, edges[frequency - 1], edges[frequency]) == (0, 12.0, 15.0)


def test_time_by_travel_stands_where_it_was():
    """The mean of the histogram is the mean of the times it was made of."""
    data = made_trip()
    position = plots_of(data)["position"]
    times = data.dampers[0].time_by_position_ns
    exact = float((times * (np.arange(len(times)) * 0.005 - 0.0175)).sum() / times.sum())
    shares = np.array(position["time_ratio"][0])
    shown = float((shares * (position["start_m"] + (np.arange(len(shares)) + 0.5) * position["class_m"])).sum())
    assert shown == pytest.approx(exact, abs=0.003)


def test_details_are_all_rows_once():
    """Zoomed in, every second is there, in the order of the dampers of the plots."""
    data = made_trip(5000)
    parts = dict(make_details(data))
    assert list(parts) == ["detail-00", "detail-01", "detail-02"]
    assert [t for part in parts.values() for t in part["t_s"]] == list(range(5000))
    for place, damper in enumerate(data.dampers):
        heat = [w for part in parts.values() for w in part["heat_w"][place]]
        assert heat == [round(float(w)) for w in heat_rows_w(damper)]
    assert all(part["part"] * DETAIL_S <= part["t_s"][0] < (part["part"] + 1) * DETAIL_S for part in parts.values())


def test_ten_hours_stay_far_below_three_megabytes():
    """On a phone's line in the desert; the script that draws them is 1.47 MB of it."""
    data = made_trip(LONG_S)
    plots = len(encode(plots_of(data)))
    details = [len(encode(part)) for _, part in make_details(data)]
    assert plots < 150_000
    assert len(details) == 20
    assert max(details) < 60_000
    assert plots + sum(details) < 1_200_000


@pytest.mark.parametrize("lacks", [{"with_gps": False}, {"with_speed": False}, {"with_body": False}])
def test_what_a_vehicle_lacks_is_left_out(lacks):
    """No GPS, no speed, no thermocouples: the rest is drawn, and all of it is JSON."""
    data = made_trip(900, **lacks)
    plots = json.loads(gzip.decompress(encode(plots_of(data))))
    assert (plots["track"] is None) == (lacks == {"with_gps": False})
    if "with_body" in lacks:
        assert all(value is None for column in plots["time"]["body_high_c"] for value in column)
    if "with_speed" in lacks:
        assert set(plots["time"]["vehicle_mps"]) == {None}


def test_a_trip_of_no_rows_and_of_one_has_plots():
    """The first second of a trip under way."""
    whole = made_trip(900)
    for rows in (0, 1):
        data = without_rows(whole, np.arange(900) >= rows)
        plots = json.loads(gzip.decompress(encode(make_plots(data, made_review(whole)))))
        assert len(plots["time"]["t_s"]) == rows
        assert plots["track"] is None
        assert len(list(make_details(data))) == rows


def test_the_same_trip_gives_the_same_bytes():
    """Files that didn't change aren't sent again."""
    data = made_trip(900)
    assert encode(plots_of(data)) == encode(plots_of(data))


# -- the way


def test_steps_of_heat_are_fifths_of_the_time_in_motion():
    """Each word stands for as much driving as the others."""
    data = made_trip(6000)
    track = plots_of(data)["track"]
    moving = [step for step, t in zip(track["step"], track["t_s"], strict=True) if t < 4000 and step is not None]
    for step, count in Counter(moving).items():
        assert count / len(moving) == pytest.approx(0.2, abs=0.02), step
    assert track["cuts_w"] == sorted(track["cuts_w"])


def test_the_way_has_the_length_that_was_driven():
    """In metres, north up, east to the right."""
    data = made_trip(3000)
    track = plots_of(data)["track"]
    steps = np.hypot(np.diff(track["north_m"]), np.diff(track["east_m"]))
    assert float(steps.sum()) == pytest.approx(float(data.distance_m[-1]), rel=0.03)


def test_metres_are_right_anywhere():
    """At the equator, far north, and across the line of the date."""
    for latitude in (0.0, 45.0, 70.0):
        north, east = project(np.array([latitude + 0.01]), np.array([-179.995]), latitude, 179.995)
        assert north[0] == pytest.approx(0.01 * M_PER_DEGREE)
        assert east[0] == pytest.approx(0.01 * M_PER_DEGREE * math.cos(math.radians(latitude)))


def test_a_tunnel_is_a_hole_in_the_way():
    """No line is drawn where no fix was."""
    data = made_trip(3000)
    lost = (data.t_s > 1000) & (data.t_s < 1400)
    data = replace(data, latitude_deg=np.where(lost, np.nan, data.latitude_deg))
    track = plots_of(data)["track"]
    before = max(place for place, t in enumerate(track["t_s"]) if t <= 1001)
    assert track["step"][before] is None
    assert sum(step is None for step in track["step"]) == 2


def test_hits_on_the_way_stand_where_they_were():
    """Bottomed and topped out, not every touch of a bump stop."""
    data = made_trip()
    hits = plots_of(data)["track"]["hits"]
    wanted = [one for one in data.contacts if one.kind in (BOTTOMED, "topped_out")]
    assert len(hits) == len(wanted)
    for hit in hits:
        at = int(hit["t_s"])
        north, east = project(
            data.latitude_deg[at : at + 1], data.longitude_deg[at : at + 1], data.latitude_deg[0], data.longitude_deg[0]
        )
        assert (hit["north_m"], hit["east_m"]) == (pytest.approx(north[0], abs=0.1), pytest.approx(east[0], abs=0.1))
