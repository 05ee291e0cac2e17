"""Simulated roads against ISO 8608 and its published class values."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from dutylog.errors import InputError
from dutylog.sim.roads import (
    ROAD_CLASSES,
    Bumps,
    Corrugation,
    Jumps,
    RoadBelt,
    RoughRoad,
    band_components,
    class_psd_m3,
    synthesise_m,
)

ReadReference = Callable[[str], list[dict[str, str]]]


def _random_track(psd_m3: float, points: int, step_m: float, band_cpm: tuple[float, float]) -> np.ndarray:
    first, last = band_components(points, step_m, band_cpm)
    phases = np.random.default_rng(5).uniform(0.0, 2.0 * np.pi, last - first + 1)
    return synthesise_m(psd_m3, points, step_m, band_cpm, phases)


def test_class_values_are_those_of_the_standard(reference_folder: Path) -> None:
    """Wrong class values circulate; a factor 4 here would be a factor 4 in damper heat."""
    table = json.loads((reference_folder / "08_iso8608_classes.json").read_text())["classes_n0"]
    assert sorted(table) == list(ROAD_CLASSES)
    for road_class, row in table.items():
        assert class_psd_m3(road_class) == pytest.approx(row["geometric_mean"], rel=1e-12)


@pytest.mark.parametrize("bad", ["I", "a", "AB", ""])
def test_unknown_class_is_refused(bad: str) -> None:
    """A misspelt class must not silently become some road."""
    with pytest.raises(InputError, match="road class"):
        class_psd_m3(bad)


def test_class_d_profile_is_the_reference_one(read_reference: ReadReference) -> None:
    """Same phases, same road: point by point equal to a sum of cosines made elsewhere."""
    expected_mm = np.array([float(row["z_mm"]) for row in read_reference("08_profile_class_d.csv")])
    phases = np.random.default_rng(8608).uniform(0.0, 2.0 * np.pi, 300)
    ours_mm = synthesise_m(class_psd_m3("D"), 2000, 0.05, (0.01, 3.0), phases) * 1e3
    # the file holds six significant digits of up to 100 mm
    np.testing.assert_allclose(ours_mm, expected_mm, atol=2e-4)


def test_rms_of_finite_roads_is_the_sum_over_components(reference_folder: Path) -> None:
    """The rms of a sum of cosines doesn't depend on its phases."""
    checks = json.loads((reference_folder / "08_profile_checks.json").read_text())["rms_sum_checks"]
    assert len(checks) == 5
    for row in checks:
        points = round(row["L"] / 0.025)
        band = (row["k_low"] / row["L"], row["k_high"] / row["L"])
        track = _random_track(class_psd_m3(row["cls"]), points, 0.025, band)
        assert np.sqrt(np.mean(track**2)) * 1e3 == pytest.approx(row["rms_mm"], rel=1e-9)


def test_elevation_slope_and_velocity_rms_match_the_reference(read_reference: ReadReference) -> None:
    """Closed forms over a band, against a road of 10 km; covers every class and speed of the table."""
    rows = read_reference("08_iso8608_rms.csv")
    assert len(rows) == 24
    for row in rows:
        points, step_m = 400_001, 0.025
        band = (float(row["n_low_cpm"]), float(row["n_high_cpm"]))
        track = _random_track(class_psd_m3(row["class"]), points, step_m, band)
        wave = 2j * np.pi * np.fft.rfftfreq(points, step_m)
        slope = np.fft.irfft(wave * np.fft.rfft(track), points)
        rms_slope = np.sqrt(np.mean(slope**2))
        # a sum that includes its first component, against an integral: half a component in 100
        assert np.sqrt(np.mean(track**2)) * 1e3 == pytest.approx(float(row["rms_elevation_mm"]), rel=3e-3)
        assert rms_slope == pytest.approx(float(row["rms_slope"]), rel=1e-4)
        velocity = float(row["speed_mps"]) * rms_slope
        assert velocity == pytest.approx(float(row["rms_vertical_velocity_mps"]), rel=1e-4)


def test_both_tracks_have_the_class_spectrum_with_waviness_two() -> None:
    """Mixing common and independent parts must leave each track's spectrum as it was."""
    points, step_m = 200_000, 0.05
    tracks = RoughRoad("E", common_ratio=0.55).elevation_m(points, step_m, np.random.default_rng(3))
    frequency = np.fft.rfftfreq(points, step_m)
    inside = (frequency > 0.06) & (frequency < 3.5)
    for track in tracks:
        psd = 2.0 * np.abs(np.fft.rfft(track)) ** 2 * step_m / points
        octaves = np.geomspace(0.06, 3.5, 13)
        means = [psd[inside & (frequency >= a) & (frequency < b)] for a, b in itertools.pairwise(octaves)]
        centres = np.sqrt(octaves[:-1] * octaves[1:])
        slope, level = np.polyfit(np.log(centres / 0.1), np.log([m.mean() for m in means]), 1)
        # 12 bands of 250 and more components: a few percent of scatter
        assert slope == pytest.approx(-2.0, abs=0.05)
        assert np.exp(level) == pytest.approx(4096e-6, rel=0.08)


def test_common_share_shows_in_the_correlation_of_the_tracks() -> None:
    """Left and right must be as alike as asked, or roll is wrong and left/right comparison too easy."""
    for share in (0.0, 0.55, 1.0):
        left, right = RoughRoad("D", common_ratio=share, band_cpm=(0.05, 4.0)).elevation_m(
            400_000, 0.05, np.random.default_rng(8)
        )
        # the longest waves weigh most and a road of 20 km has only some hundreds of them
        assert np.corrcoef(left, right)[0, 1] == pytest.approx(share, abs=0.06)


def test_rear_wheels_meet_the_same_road_later() -> None:
    """The rear axle sees exactly what the front saw, a wheelbase later, track by track."""
    elevation = np.random.default_rng(1).normal(size=(1, 2, 500))
    belt = RoadBelt(0.05, elevation)
    tracks, lags = np.array([0, 1, 0, 1]), np.array([0.0, 0.0, 3.1, 3.1])
    early = belt.heights_m(np.linspace(5.0, 60.0, 333), tracks, lags)
    late = belt.heights_m(np.linspace(5.0, 60.0, 333) + 3.1, tracks, lags)
    np.testing.assert_allclose(late[:, 0, 2:], early[:, 0, :2], atol=1e-11)
    assert not np.allclose(early[:, 0, 0], early[:, 0, 1])


def test_before_the_start_the_rear_stands_on_level_ground() -> None:
    """At the start the rear axle is behind the first point of the road, not at its end."""
    belt = RoadBelt(0.05, np.ones((1, 2, 100)))
    heights = belt.heights_m(np.array([0.0, 1.0, 3.2]), np.array([0, 0]), np.array([0.0, 3.1]))
    assert heights[:, 0, 0].tolist() == [1.0, 1.0, 1.0]
    assert heights[:, 0, 1].tolist() == [0.0, 0.0, 1.0]


def test_corrugation_has_its_height_and_wavelength() -> None:
    """25 mm crest to trough every 0.8 m, as stated."""
    track = Corrugation(0.025, 0.8).elevation_m(1600, 0.05, np.random.default_rng(2))[0]
    spectrum = np.abs(np.fft.rfft(track))
    assert np.argmax(spectrum) == 100  # 80 m hold 100 waves
    assert np.sqrt(2.0 * np.mean(track**2)) == pytest.approx(0.0125, rel=1e-9)


def test_single_obstacles_keep_their_height_and_never_overlap() -> None:
    """Bumps stand alone, some under one track only; jumps are under both."""
    bumps = Bumps(70.0, 0.12, 1.8).elevation_m(40_000, 0.05, np.random.default_rng(4))
    assert 0.6 * 0.12 <= bumps.max() <= 0.12
    assert bumps.min() == 0.0
    assert np.any((bumps[0] > 0) != (bumps[1] > 0))
    jumps = Jumps(420.0, 0.35, 7.0, 1.2).elevation_m(40_000, 0.05, np.random.default_rng(4))
    assert np.array_equal(jumps[0], jumps[1])
    assert jumps.max() == pytest.approx(0.35, rel=1e-9)
    starts = np.count_nonzero((jumps[0, 1:] > 0) & (jumps[0, :-1] == 0))
    assert starts == 4
