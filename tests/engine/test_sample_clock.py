"""What the result says of the sampling clock, and what odd files make it say."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from dutylog.engine.integrate import integrate
from dutylog.engine.report import Integration
from engine.builders import (
    CASES,
    Log,
    load_columns,
    load_vehicle,
    make_vehicle,
    strokes_mm,
    travel_stream,
    write_recording,
)

STREAM = travel_stream("left", "right")


def result_of(tmp_path, columns, case="G_clock"):
    return integrate(write_recording(tmp_path / "r.parquet", columns), load_vehicle(case)).to_dict()


def test_a_rate_that_is_not_round_is_told_with_its_jitter():
    """80 us of jitter and 8 us of stamp noise, together 80.4."""
    clock = integrate(CASES / "G_clock" / "recording.parquet", load_vehicle("G_clock")).to_dict()["clock"]
    assert clock["rate_hz"] == pytest.approx(997.3, rel=1e-6)
    assert clock["period_fs"] == pytest.approx(1e15 / 997.3, rel=1e-6)
    assert clock["jitter_rms_us"] == pytest.approx(80.4, rel=0.01)
    assert clock["notes"] == ["rows lie 80 us rms off an even spacing; each was moved to its place on it"]


def test_an_even_file_has_no_jitter_and_nothing_to_say():
    result = integrate(CASES / "C_desert" / "recording.parquet", load_vehicle("C_desert")).to_dict()
    assert result["clock"] == {"rate_hz": 1000.0, "period_fs": 10**12, "jitter_rms_us": None, "notes": []}
    assert result["notes"] == []


def test_stamps_in_whole_milliseconds_hide_the_rate_and_it_is_found(tmp_path):
    """The file claims 1000 rows a second and here and there none: they are 997.3."""
    columns = load_columns("G_clock", 0.0, 60.0)
    columns["t_s"] = np.round(np.arange(len(columns["t_s"])) / 997.3, 3)
    result = result_of(tmp_path, columns)
    assert result["clock"]["rate_hz"] == pytest.approx(997.3, rel=2e-6)
    assert result["clock"]["jitter_rms_us"] is None
    assert result["notes"] == ["t_s comes in steps of 1 ms; the even grid under it has 997.3 Hz"]
    assert {d["unmeasured_s"] for d in result["dampers"].values()} == {0.0}


def test_a_clock_that_drifts_is_said(tmp_path):
    """An oscillator that warms up: after the first minute it is 300 ppm slower."""
    columns = load_columns("C_desert", 0.0, 110.0)
    columns = {name: np.concatenate([values, values]) for name, values in columns.items()}
    index = np.arange(len(columns["t_s"]))
    columns["t_s"] = index * 1e-3 + 3e-4 * np.maximum(0, index - 60_000) * 1e-3
    notes = result_of(tmp_path, columns, "C_desert")["clock"]["notes"]
    assert any(re.fullmatch(r"the clock ran \d+ ppm slower over the whole than at the beginning", n) for n in notes)


def test_ignored_columns_reach_the_person(tmp_path):
    columns = load_columns("C_desert", 0.0, 10.0) | {"gear": np.ones(10_000)}
    assert result_of(tmp_path, columns, "C_desert")["notes"] == ["columns not used: gear"]


def test_epochs_of_different_rates_are_said():
    log, work = Log(make_vehicle()), Integration(make_vehicle())
    for period_fs in (10**12, 2 * 10**12):
        stream = replace(STREAM, period_fs=period_fs)
        log.start(stream)
        log.write(stream, strokes_mm(4))
        log.end()
    for frame in log.frames:
        work.feed(frame)
    work.finish()
    clock = work.to_dict()["clock"]
    assert clock["rate_hz"] == 500.0
    assert clock["notes"] == ["sampled at different rates one after the other: 1000, 500 Hz"]
