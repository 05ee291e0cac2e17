"""The driver and the firmware that goes on the board, run by MicroPython behind a pty."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from acquire.bridge.fake_board import POSITIONS, make_settings
from acquire.bridge.ptys import end_of
from dutylog.acquire.bridge.driver import BridgeDriver
from dutylog.acquire.driver import Rows
from dutylog.clock import SystemClock
from dutylog.errors import SourceLost
from firmware.board import Firmware, running_firmware

LIMIT_S = 60.0


def make(board: Firmware, **changes: object) -> BridgeDriver:
    return BridgeDriver(make_settings(port=board.port, **changes), SystemClock())


def read_rows(driver: BridgeDriver, wanted: int, plan: int = 0) -> list[Rows]:
    """Return runs of a plan until so many rows are there; AssertionError when they don't come."""
    rows: list[Rows] = []
    until_s = time.monotonic() + LIMIT_S
    while sum(len(row.data) for row in rows) < wanted:
        assert time.monotonic() < until_s, f"only {rows}"
        rows += [row for row in driver.read(0.2) if row.plan == plan]
    return rows


def lose(driver: BridgeDriver) -> str:
    """Read until the driver gives up and return its words."""

    def read() -> None:
        while True:
            driver.read(0.2)

    err = end_of(read)
    assert isinstance(err, SourceLost)
    return str(err)


@pytest.mark.parametrize(("reference", "wanted"), [(0, 5000), (0xC350, 1000)])
def test_five_seconds_of_a_file_come_through_row_by_row(tmp_path: Path, reference: int, wanted: int) -> None:
    """1 kHz, four channels, nothing lost; as shares of the supply too, for a second."""
    raw = (np.random.default_rng(1).integers(0, 4096, (6000, 4)) << 4).astype("<u2")
    raw.tofile(tmp_path / "rows.bin")
    # More than the board's own ring, as here other programs keep this machine busy.
    with running_firmware(tmp_path / "rows.bin", reference=reference, ring_rows=4000) as board:
        driver = make(board)
        driver.open(0)
        rows = read_rows(driver, wanted)
        state = driver.state()
        driver.close()
    data = np.concatenate([row.data for row in rows])
    expected = np.minimum(np.rint(raw / reference * 32767), 32767) if reference else raw >> 1
    np.testing.assert_array_equal(data, expected[: len(data)])
    assert [row.index for row in rows] == list(range(0, len(data), 40))
    assert {row.quality for row in rows} == {0}
    assert state.word == "working"
    counters = state.counters
    for name in ("lost_rows", "overruns", "bad_frames", "unknown_frames", "sequence_jumps", "resets"):
        assert (name, counters[name]) == (name, 0)


def test_its_clock_is_the_hosts_as_both_are_this_machines() -> None:
    """Round trips on a pty are a fraction of a millisecond, unless the machine is busy with others."""
    with running_firmware() as board:
        driver = make(board)
        driver.open(0)
        rows = read_rows(driver, 2000)
        grids = {(row.t0_ns - row.index * row.period_fs // 10**6) // 1000 for row in rows}
        assert len(grids) <= 3
        assert abs(rows[-1].period_fs / 1e12 - 1.0) < 400e-6  # two standard deviations of the prior
        now_ns = time.monotonic_ns()
        assert 0 < now_ns - rows[-1].t0_ns < LIMIT_S * 1e9
        driver.close()


@pytest.mark.parametrize("rate_hz", [50, 700, 2000])
def test_other_rates_are_set_and_kept(rate_hz: int) -> None:
    """700 Hz has a period of 1428 us, 400 ppm too fast: what the firmware can do is what counts as claimed."""
    with running_firmware() as board:
        driver = make(board, rate_hz=rate_hz)
        driver.open(0)
        rows = read_rows(driver, rate_hz * 3 // 2)
        assert rows[-1].period_fs == pytest.approx(1_000_000 // rate_hz * 1e9, rel=400e-6)
        assert driver.state().word == "working"
        driver.close()


def test_ticks_that_wrap_leave_no_trace() -> None:
    """A second after the start, at 2^32; the stand-in's own clock wraps at 2^30 then too."""
    with running_firmware(ticks_start=2**30 - 1_000_000, tick_high=0xC000) as board:
        driver = make(board)
        driver.open(0)
        rows = read_rows(driver, 2000)
        assert {row.quality for row in rows} == {0}
        assert abs(rows[-1].period_fs / 1e12 - 1.0) < 400e-6
        driver.close()


def test_a_reset_of_the_board_is_told_and_reading_goes_on() -> None:
    with running_firmware() as board:
        driver = make(board)
        driver.open(0)
        read_rows(driver, 400)
        board.reset()
        assert "the bridge began anew (watchdog or power)" in lose(driver)
        driver.close()
        driver.open(0)
        rows = read_rows(driver, 1000)
        assert rows[0].index == 0
        counters = driver.state().counters
        assert (counters["resets"], counters["reconnects"], counters["lost_rows"]) == (1, 1, 0)
        driver.close()


def test_unplugging_is_told_and_the_same_name_opens_again() -> None:
    with running_firmware() as board:
        driver = make(board)
        driver.open(0)
        read_rows(driver, 200)
        board.unplug()
        assert "the bridge is gone" in lose(driver)
        driver.close()
        with pytest.raises(SourceLost, match="isn't there; plug the bridge in"):
            driver.open(0)
        board.plug_in()
        driver.open(0)
        assert read_rows(driver, 200)[0].index == 0
        driver.close()


def test_rows_that_a_stalled_board_lost_are_a_gap_of_that_size() -> None:
    """The loop gets no turn for 900 rows, the ring holds 512."""
    with running_firmware(stall_at_row=200, stall_rows=900) as board:
        driver = make(board)
        driver.open(0)
        rows = read_rows(driver, 1500)
        end = rows[0].index
        holes = []
        for row in rows:
            if row.index != end:
                holes.append(row.index - end)
                assert row.quality == 2
            end = row.index + len(row.data)
        assert len(holes) == 1
        read_rows(driver, 1200)  # the state is made anew about once a second
        counters = driver.state().counters
        assert counters["lost_rows"] == counters["overruns"] == holes[0]
        # More where this machine stalls the board's own process as well.
        assert holes[0] >= 300
        driver.close()


def test_damaged_frames_are_counted_and_cost_only_themselves() -> None:
    """One write in 11 has a bit flipped."""
    with running_firmware(damage_every=11) as board:
        driver = make(board)
        driver.open(0)
        rows = read_rows(driver, 1500)
        read_rows(driver, 1200)
        counters = driver.state().counters
        assert counters["bad_frames"] >= 3
        assert counters["overruns"] == 0
        assert counters["lost_rows"] <= counters["bad_frames"] * 40
        assert all(len(row.data) == 40 for row in rows)
        driver.close()


def test_the_wheel_turns_at_the_speed_of_its_pulses() -> None:
    with running_firmware(pulse_hz=200) as board:
        driver = make(board, wheel_pulses_per_m=10.0)
        driver.open(0)
        rows = read_rows(driver, 20, plan=1)
        speeds = np.concatenate([row.data[:, 0] for row in rows])
        np.testing.assert_allclose(speeds[10:], 20.0, rtol=0.05)
        driver.close()


def test_a_check_finds_it_well() -> None:
    """Sines of 1 Hz on all channels, a supply of full scale."""
    with running_firmware(internal_adc=1) as board:
        driver = make(board)
        driver.open(0)
        findings = {finding.subject: finding for finding in driver.probe()}
        driver.close()
    verdicts = {subject: finding.verdict for subject, finding in findings.items()}
    travel = {f"travel {position}": "pass" for position in POSITIONS}
    assert verdicts == {
        "bridge": "look",  # for trying out only
        "bridge rate": "pass",
        "bridge rows": "pass",
        "bridge line": "pass",
        "bridge clock": verdicts["bridge clock"],  # a busy machine may be slow to answer
        "potentiometer supply": "pass",
        **travel,
    }
    assert "0.7 % of what a full-speed USB line carries" in findings["bridge line"].text
    assert "0 lost (0 on the board), 0 damaged frames" in findings["bridge rows"].text
    assert "try-out only" in findings["bridge"].text
