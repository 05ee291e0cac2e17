"""What a check says of two seconds of samples whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acquire.bridge.fake_board import FakeBoard, make_settings
from dutylog.acquire.bridge.driver import BridgeDriver
from dutylog.acquire.bridge.probing import compute_noise_count, find_hum
from dutylog.acquire.driver import Finding
from dutylog.clock import ManualClock
from dutylog.errors import SourceLost

NOISE = np.random.default_rng(5).normal(size=(20_000, 4))


def check(
    rows: Callable[[NDArray[np.int64]], NDArray[Any]] | None = None,
    settings: dict[str, Any] | None = None,
    **board: Any,
) -> dict[str, Finding]:
    """Return the findings on a board by subject."""
    clock = ManualClock(7_000_000_000)
    fake = FakeBoard(clock, **{"reference": 65520, **board})
    if rows is not None:
        fake.rows = lambda indices: np.clip(np.rint(rows(indices)), 0, 65535).astype(np.uint16)
    driver = BridgeDriver(make_settings(**(settings or {})), clock, fake.open_line)
    driver.open(0)
    findings = driver.probe()
    assert all("\n" not in finding.text + finding.remedy for finding in findings)
    assert all(bool(finding.remedy) == (finding.verdict != "pass") for finding in findings)
    return {finding.subject: finding for finding in findings}


def still(indices: NDArray[np.int64], noise_raw: float = 4.0) -> NDArray[np.float64]:
    return 30_000.0 + noise_raw * NOISE[indices % len(NOISE)]


def test_a_sound_bridge_passes_everything() -> None:
    findings = check(still)
    assert {finding.verdict for finding in findings.values()} == {"pass"}
    assert findings["bridge"].text == (
        "firmware 1.2.3, board 0102030405060708, 4 inputs of 12 bits, buffer of 512 rows"
    )
    assert findings["bridge rate"].text == "1000.00 rows a second of 1000 claimed"
    assert findings["bridge rows"].text.startswith(("2000 rows came, 0 lost", "1960 rows came, 0 lost"))
    assert findings["bridge clock"].text == "round trip 0.30 ms at best, so rows are timed to 0.15 ms"
    assert findings["potentiometer supply"].text == "100.0 % of the converter's range"


def test_noise_is_told_in_counts_of_the_log() -> None:
    """4 raw counts are 2 of 32767."""
    text = check(still)["travel front_left"].text
    assert text == "at 15003 counts, noise 2.0 counts rms"  # 30 000 of 65 520
    loud = check(lambda indices: still(indices, 100.0))["travel front_left"]
    assert loud.verdict == "look"
    assert "noise 50." in loud.text or "noise 49." in loud.text


@pytest.mark.parametrize("hum_hz", [50, 60])
def test_hum_of_the_mains_is_told(hum_hz: int) -> None:
    def rows(indices: NDArray[np.int64]) -> NDArray[np.float64]:
        return still(indices) + 40.0 * np.sin(2 * np.pi * hum_hz * indices / 1000.0)[:, None]

    finding = check(rows)["travel rear_left"]
    assert finding.verdict == "look"
    assert f"hum of {hum_hz} Hz with 20." in finding.text or f"hum of {hum_hz} Hz with 19." in finding.text


def test_a_moving_damper_has_no_hum_and_little_noise() -> None:
    """A wheel hop of 12 Hz and a body motion of 1 Hz, 100 mm of 300."""

    def rows(indices: NDArray[np.int64]) -> NDArray[np.float64]:
        phase = 2 * np.pi * indices[:, None] / 1000.0
        return still(indices) + 8000.0 * np.sin(phase) + 2000.0 * np.sin(12 * phase)

    finding = check(rows)["travel rear_left"]
    assert finding.verdict == "pass", finding


@pytest.mark.parametrize("raw", [0.0, 65535.0])
def test_a_channel_at_a_rail_is_asked_about(raw: float) -> None:
    finding = check(lambda indices: np.where(np.arange(4) == 2, raw, still(indices)))["travel rear_left"]
    assert finding.verdict == "look"
    assert finding.text.endswith("not connected or at its end?")


def test_the_supply_is_looked_at() -> None:
    assert check(still, reference=0)["potentiometer supply"].verdict == "look"
    lost = check(still, reference=600)["potentiometer supply"]
    assert lost.verdict == "fail"
    assert lost.text.startswith("the potentiometers' supply reads 0.9 % of the converter's range")


def test_lost_rows_and_damaged_frames_fail() -> None:

    def ramp(indices: NDArray[np.int64]) -> NDArray[np.float64]:
        return still(indices) + 10.0 * indices[:, None]

    findings = check(ramp, overrun_rows={400: 60})
    assert findings["bridge rows"].verdict == "fail"
    assert "60 lost (60 on the board), 0 damaged frames" in findings["bridge rows"].text
    # Judged on the longest run without a hole: a step of 60 rows would look like 4 counts more.
    assert findings["travel front_left"].text.endswith(("noise 2.0 counts rms", "noise 2.1 counts rms"))


@pytest.mark.parametrize("ratio", [0.98, 1.02])
def test_a_rate_that_is_off_fails(ratio: float) -> None:
    finding = check(still, true_rate_ratio=ratio)["bridge rate"]
    assert finding.verdict == "fail"
    assert "a rate that isn't what it claims" in finding.text


def test_the_wheel_is_told_with_its_resolution() -> None:
    settings = {"wheel_pulses_per_m": 5.0}
    assert "in steps of 0.20 m/s when crawling" in check(still, settings)["wheel"].text
    assert check(still, settings, has_pulse_input=False)["wheel"].verdict == "fail"


def test_a_converter_for_trying_out_is_looked_at() -> None:
    assert "try-out only" in check(still, is_internal_adc=True)["bridge"].text


def test_nothing_is_found_on_a_bridge_that_is_not_open() -> None:
    clock = ManualClock()
    with pytest.raises(SourceLost, match="isn't open, so there is nothing to look at"):
        BridgeDriver(make_settings(), clock, FakeBoard(clock).open_line).probe()


def test_noise_is_that_of_white_noise_on_a_ramp() -> None:
    values = 3.0 * NOISE[:, 0] + np.arange(len(NOISE)) * 2.5
    assert compute_noise_count(values) == pytest.approx(3.0, rel=0.03)  # 20 000 values: 0.5 % is one deviation


def test_hum_is_not_found_in_noise_nor_where_the_rate_is_too_low() -> None:
    assert [find_hum(100.0 * NOISE[i * 2000 : (i + 1) * 2000, c], 1000) for i in range(10) for c in range(4)] == [
        None
    ] * 40
    assert find_hum(np.sin(2 * np.pi * 50 * np.arange(400) / 200.0) * 100, 200) is None
