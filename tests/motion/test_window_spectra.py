"""Moving sums of power against sums made one by one, on memory that held rubbish before."""

from __future__ import annotations

import numpy as np
import pytest

from dutylog.motion import window_spectra
from dutylog.motion.window_spectra import GAIN_BINS, HIGH_BINS, LOW_BINS, WindowSpectra


@pytest.mark.parametrize("length", [64, 128, 2048])
@pytest.mark.parametrize(("channels", "tiles"), [(1, 1), (3, 4)])
def test_sums_are_those_around_each_bin_of_power_mirrored_at_both_ends(monkeypatch, length, channels, tiles):
    """Single precision of 61 numbers added up; strong and weak windows lie beside each other."""
    aligned = window_spectra._aligned

    def with_rubbish(size):
        raw = aligned(size)
        raw[...] = 255  # of floats: no numbers
        return raw

    monkeypatch.setattr(window_spectra, "_aligned", with_rubbish)
    rng = np.random.default_rng(length)
    spectra = WindowSpectra(channels, tiles, length)
    windows = rng.normal(0, 1, (channels, tiles, length)) * 10.0 ** rng.integers(-12, 3, (channels, tiles, 1))
    spectra.windows[...] = windows
    spectrum, power = spectra.transform()
    assert np.array_equal(spectrum, np.fft.rfft(windows.reshape(-1, length), axis=1).astype(np.complex64))
    before = power.copy()
    assert before == pytest.approx(np.abs(spectrum.astype(complex)) ** 2, rel=1e-6)
    mirrored = np.pad(before.astype(float), ((0, 0), (HIGH_BINS // 2, HIGH_BINS // 2)), mode="reflect")
    for sums, width in zip(spectra.sums(), (GAIN_BINS, LOW_BINS, HIGH_BINS), strict=True):
        first = HIGH_BINS // 2 - width // 2
        wanted = [mirrored[:, first + i : first + i + width].sum(axis=1) for i in range(length // 2 + 1)]
        assert np.allclose(sums, np.transpose(wanted), rtol=1e-6, atol=0.0)
