"""Heat followed by another process comes to the same, and its end is said in one line."""

from __future__ import annotations

import io
import json
import os
import pickle
import signal

import pytest

from dutylog.engine.output import HeatReset
from dutylog.errors import RecordingError
from dutylog.heat import beside
from dutylog.heat.beside import HeatBeside
from dutylog.heat.series import HeatSeries
from heat.test_vehicle_heat import VEHICLE, tile

ROWS = [row for second in range(300) for row in (tile(second), tile(second, "right", "u2", power_w=None))]
ROWS.insert(150, HeatReset("left", "learning"))


def take_all(heat):
    for start in range(0, len(ROWS), 40):
        heat.take(VEHICLE, ROWS[start : start + 40])


@pytest.fixture
def heat():
    one = HeatBeside()
    yield one
    one.close()
    one.close()


@pytest.mark.parametrize("worth", [100, 10_000])
def test_both_ways_come_to_the_same_to_the_bit(monkeypatch, heat, worth):
    monkeypatch.setattr(heat, "_most", worth)
    monkeypatch.setattr(beside, "GROUP_ROWS", 100)
    monkeypatch.setattr("dutylog.heat.series.PIECE_PAIRS", 64)
    series = HeatSeries()
    series.take(VEHICLE, ROWS)
    take_all(heat)
    assert (heat._process is None) == (worth == 10_000)
    found, expected = heat.finish(), series.finish()
    assert found == expected
    assert set(found) == {"left", "right"}
    oil_c = json.loads("{" + "".join(found["left"].json_pieces()) + "}")["oil_c"]
    assert [end_s for end_s, _ in oil_c] == list(found["left"].ends_s)
    assert [value for _, value in oil_c] == pytest.approx(list(found["left"].oil_c), abs=1e-3)
    assert len(oil_c) == 300


def test_a_process_that_ends_early_is_said(monkeypatch, heat):
    monkeypatch.setattr(heat, "_most", 100)
    take_all(heat)
    os.kill(heat._process.pid, signal.SIGKILL)
    heat._process.wait()
    with pytest.raises(RecordingError, match="ended early; try again"):
        heat.finish()


def test_nothing_taken_is_nothing_found(heat):
    assert heat.finish() == {}


def test_the_other_end_reads_what_this_one_sends():
    sent, answer = io.BytesIO(), io.BytesIO()
    pickle.dump((VEHICLE, [beside._pack(row) for row in ROWS]), sent)
    pickle.dump(None, sent)
    sent.seek(0)
    beside.follow(sent, answer)
    answer.seek(0)
    series = HeatSeries()
    series.take(VEHICLE, ROWS)
    assert pickle.load(answer) == series.finish()  # noqa: S301  # our own bytes
