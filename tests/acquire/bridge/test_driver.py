"""The bridge as a driver, on a board in memory whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.bridge.driving import join, lose, make, read_for
from acquire.bridge.fake_board import PORT, POSITIONS, make_samples
from dutylog.errors import SourceLost
from dutylog.recording.block import SPEED, TRAVEL, Channel
from dutylog.recording.framer import Grid


def test_plans_are_the_used_inputs_in_their_order_and_the_wheel() -> None:
    driver, _ = make({"inputs": ("front_left", "", "rear_left"), "wheel_pulses_per_m": 4.0, "rate_hz": 500})
    travel, wheel = driver.plans
    assert (travel.name, travel.dtype, travel.period_fs) == ("travel", "i2", 2_000_000_000_000)
    assert travel.channels == (Channel("front_left", TRAVEL, "count"), Channel("rear_left", TRAVEL, "count"))
    assert (wheel.name, wheel.dtype, wheel.period_fs) == ("wheel", "f4", 100_000_000_000_000)
    assert wheel.channels == (Channel("", SPEED, "mps"),)
    assert (driver.name, driver.is_clocked) == ("bridge", True)


def test_rows_are_those_of_the_board_one_by_one_and_on_one_grid() -> None:
    driver, board = make()
    driver.open(0)
    rows = read_for(driver, board, 5.0)
    data = join(rows)
    expected = board.values(np.arange(len(data))) >> 1
    np.testing.assert_array_equal(data, expected)
    assert data.dtype == np.dtype("<i2")
    assert len(data) >= 4960
    grid = Grid(0, rows[0].t0_ns, rows[0].period_fs)
    index = 0
    for row in rows:
        assert row.index == index
        assert grid.agrees(row.index, row.t0_ns, row.period_fs)
        assert row.quality == 0
        index += len(row.data)
    assert driver.state().word == "working"


def test_rows_lie_where_they_were_sampled() -> None:
    """The truth is the board's own; 80 ppm off, round trips of 0.3 to 5 ms."""
    driver, board = make(drift_ppm=80.0, delay_s=(150e-6, 2.5e-3), row_jitter_s=20e-6)
    driver.open(0)
    read_for(driver, board, 5.0)
    errors_ns = [row.t0_ns - board.row_ns(row.index) for row in read_for(driver, board, 60.0)]
    assert np.quantile(np.abs(errors_ns), 0.99) < 1e6
    assert "clock +8" in driver.state().text or "clock +7" in driver.state().text


def test_travel_is_a_share_of_the_potentiometers_supply() -> None:
    """Full scale of the potentiometer is 32767 whatever the supply."""
    driver, board = make(reference=40_000)
    driver.open(0)
    data = join(read_for(driver, board, 0.5))
    raw = board.values(np.arange(len(data))).astype(float)
    np.testing.assert_array_equal(data, np.minimum(np.rint(raw / 40_000 * 32767), 32767))
    assert data.max() == 32767


def test_inputs_are_found_by_their_number_and_unused_ones_dropped() -> None:
    """The board may scan its inputs in any order."""
    driver, board = make({"inputs": ("front_left", "", "rear_left")}, inputs=(2, 5, 0))
    driver.open(0)
    data = join(read_for(driver, board, 0.2))
    raw = board.values(np.arange(len(data)))
    np.testing.assert_array_equal(data, raw[:, [2, 0]] >> 1)


def test_a_rate_that_does_not_divide_a_million_is_as_claimed() -> None:
    """700 Hz has a period of 1428 us on the board, 400 ppm too fast, by the protocol."""
    driver, board = make({"rate_hz": 700})
    driver.open(0)
    rows = read_for(driver, board, 30.0)
    assert driver.state().word == "working"
    assert rows[-1].period_fs == pytest.approx(1428e9, rel=10e-6)


def test_it_is_pinged_every_second_for_ever() -> None:
    """The board stops when it hears nothing for 10 s."""
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 40.0)
    pings = [at_ns for at_ns, kind, _ in board.commands if kind == 0x14]
    assert max(np.diff(pings)) < 1.1e9
    assert 20 + 80 + 28 <= len(pings) <= 20 + 100 + 32  # the first, then ten a second for 10 s, then one a second
    assert driver.state().counters["pings"] >= len(pings) - 1
    assert driver.state().counters["pongs"] >= len(pings) - 2


def test_rows_the_board_lost_are_a_gap_and_counted_there() -> None:
    driver, board = make(overrun_rows={400: 60})
    driver.open(0)
    rows = read_for(driver, board, 2.0)
    jump = next(row for row in rows if row.index == 460)
    assert 400 not in {row.index for row in rows}
    assert jump.quality == 2
    assert [row.quality for row in rows if row is not jump] == [0] * (len(rows) - 1)
    np.testing.assert_array_equal(jump.data, board.values(np.arange(460, 500)) >> 1)
    read_for(driver, board, 1.0)
    counters = driver.state().counters
    assert (counters["lost_rows"], counters["overruns"]) == (60, 60)


def test_frames_lost_on_the_line_are_a_gap_too_but_no_overrun() -> None:
    driver, board = make(drop_frame=lambda number: number in (10, 11))
    driver.open(0)
    rows = read_for(driver, board, 2.0)
    assert {row.index for row in rows} & {400, 440} == set()
    assert [row.index for row in rows if row.quality == 2] == [480]
    read_for(driver, board, 1.0)
    counters = driver.state().counters
    assert (counters["lost_rows"], counters["overruns"], counters["sequence_jumps"]) == (80, 0, 1)


def test_a_damaged_frame_is_counted_and_the_next_one_is_read() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 0.5)
    board.change = lambda data: data[:9] + bytes([data[9] % 255 + 1]) + data[10:]
    read_for(driver, board, 0.04)
    board.change = lambda data: data
    rows = read_for(driver, board, 2.0)
    assert rows[0].quality == 2
    assert driver.state().counters["bad_frames"] >= 1
    assert driver.state().word == "working"


@pytest.mark.parametrize("tick0", [2**32 - 6_000_000, 2**32 - 8_000_000, 2**31 - 7_000_000])
def test_ticks_wrap_without_a_trace(tick0: int) -> None:
    """Before the first ping, before the first row, within the run."""
    driver, board = make(tick0=tick0, drift_ppm=-50.0)
    driver.open(0)
    rows = read_for(driver, board, 10.0)
    assert all(abs(row.t0_ns - board.row_ns(row.index)) < 1e6 for row in rows)
    assert rows[0].index == 0


def test_silence_of_a_second_is_a_loss() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 1.0)
    board.is_silent = True
    before_ns = board.clock.mono_ns()
    assert lose(driver, board) == f"{PORT}: nothing from the bridge for 1 s; check plug, cable and supply"
    assert board.clock.mono_ns() - before_ns < 1.3e9


def test_a_board_that_answers_but_sends_no_samples_is_a_loss() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 1.0)
    board.is_running = False
    assert lose(driver, board) == (
        f"{PORT}: the bridge answers but has sent no samples for 1 s; unplug it and plug it in again"
    )


def test_a_reader_that_was_held_up_for_long_does_not_take_it_for_silence() -> None:
    """The kernel keeps seconds of bytes; they are read before anything is judged."""
    driver, board = make()
    driver.open(0)
    first = read_for(driver, board, 1.0)
    board.clock.advance(3.0)
    rows = read_for(driver, board, 1.0)
    assert rows[0].index == first[-1].index + 40
    assert join(rows).shape[0] >= 3900
    assert {row.quality for row in rows} == {0}


def test_a_board_that_began_anew_is_a_loss_and_reading_goes_on_after_opening_again() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 1.0)
    board.reset()
    text = lose(driver, board)
    assert text.startswith(f"{PORT}: the bridge began anew (watchdog or power); ")
    driver.close()
    driver.open(0)
    rows = read_for(driver, board, 1.5)
    assert rows[0].index == 0
    counters = driver.state().counters
    assert (counters["resets"], counters["reconnects"]) == (1, 1)


def test_rows_before_a_reset_in_the_same_bytes_are_handed_out_first() -> None:
    driver, board = make()
    driver.open(0)
    first = read_for(driver, board, 0.5)
    board.clock.advance(0.05)
    board.read(0.0)  # what came meanwhile is thrown away: the next read has samples and identity at once
    board.say(0x02, make_samples(640, board.ticks(round(board.row_ns(640))), board.values(np.arange(640, 680))))
    board.reset()
    assert first[-1].index < 640
    assert [row.index for row in driver.read(0.2)] == [640]
    with pytest.raises(SourceLost, match="began anew"):
        driver.read(0.2)
    driver.close()
    driver.open(0)
    assert driver.read(0.2)[0].index == 0


def test_an_index_that_goes_back_is_a_loss() -> None:
    """Also where the identity that should have said so was damaged."""
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 1.0)
    board.next_index = 0
    board.start_ns = board.clock.mono_ns()
    assert "the bridge began anew (watchdog or power): row 0 came after row " in lose(driver, board)
    assert driver.state().counters["resets"] == 1


def test_ticks_that_leave_the_rows_are_a_loss() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 1.0)
    board.tick0 += 5_000_000
    assert "the bridge's clock is +5.0 s off what its rows say" in lose(driver, board)


def test_a_board_that_stopped_by_itself_says_why() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 1.0)
    board.boot -= 1
    board.reset()
    assert "stopped sampling by itself, as it does when it hears nothing for 10 s" in lose(driver, board)


def test_another_board_behind_the_same_name_is_told() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 1.0)
    board.board_id = bytes(8)
    board.reset()
    assert "another bridge is there now (0000000000000000, before 0102030405060708)" in lose(driver, board)


def test_unplugging_is_a_loss_and_plugging_in_opens_again() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 1.0)
    board.is_unplugged = True
    assert "is gone" in lose(driver, board)
    driver.close()
    with pytest.raises(SourceLost, match="isn't there"):
        driver.open(0)
    board.is_unplugged = board.is_running = False
    driver.open(0)
    assert read_for(driver, board, 1.0)[0].index == 0


def test_closing_twice_and_reading_closed_do_no_harm() -> None:
    driver, board = make()
    driver.open(0)
    driver.close()
    driver.close()
    assert board.closed == 1
    with pytest.raises(SourceLost, match="isn't open"):
        driver.read(0.1)


def test_notes_are_counted_and_the_last_one_is_shown() -> None:
    driver, board = make()
    driver.open(0)
    board.say(0x05, b"3 damaged frames received")
    board.say(0x05, b"ADC slow")
    read_for(driver, board, 2.5)
    state = driver.state()
    assert state.counters["notes"] == 2
    assert state.text.endswith('it said "ADC slow"')
    assert "firmware 1.2.3; round trip 0.30 ms, clock +0 ppm" in state.text


def test_unknown_frames_and_nonsense_with_a_good_crc_are_counted_and_left() -> None:
    driver, board = make()
    driver.open(0)
    board.say(0x42, b"later")
    board.say(0x02, bytes(19))
    board.say(0x02, make_samples(0, 0, np.zeros((2, 3), np.uint16)))
    rows = read_for(driver, board, 2.5)
    assert rows[0].index == 0
    counters = driver.state().counters
    assert (counters["unknown_frames"], counters["bad_frames"], counters["lost_rows"]) == (1, 2, 0)


def test_a_converter_of_the_microcontroller_itself_is_for_trying_out_only() -> None:
    driver, board = make(is_internal_adc=True)
    driver.open(0)
    read_for(driver, board, 2.0)
    states = driver.state().channels
    assert [state.position for state in states] == list(POSITIONS)
    assert all(state.text.startswith("try-out only") and state.word == "working" for state in states)


def test_a_supply_that_fails_makes_a_gap_and_is_told() -> None:
    """Noise divided by noise isn't travel."""
    driver, board = make(reference=60_000)
    driver.open(0)
    read_for(driver, board, 1.5)
    board.reference = 900
    assert [row for row in read_for(driver, board, 2.0) if row.index > 1600] == []
    state = driver.state().channels[0]
    assert state.word == "wrong"
    assert state.text == "the potentiometers' supply reads 1.4 % of the converter's range; check its wire and fuse"
    board.reference = 60_000
    rows = read_for(driver, board, 2.0)
    assert [row.quality for row in rows][:2] == [2, 0]
    assert driver.state().channels[0].word == "working"


def test_a_crystal_far_off_is_told_and_its_rows_come_all_the_same() -> None:
    driver, board = make(drift_ppm=900.0)
    driver.open(0)
    read_for(driver, board, 30.0)
    rows = read_for(driver, board, 1.0)
    state = driver.state()
    assert state.word == "wrong"
    assert "a rate that isn't what it claims: 1000.9" in state.text
    assert all(abs(row.t0_ns - board.row_ns(row.index)) < 1e6 for row in rows)


def test_times_are_called_estimated_when_pings_stay_away() -> None:
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 5.0)
    board.mute = {0x14}
    assert {row.quality for row in read_for(driver, board, 25.0)} == {0}
    read_for(driver, board, 10.0)
    assert {row.quality for row in read_for(driver, board, 1.0)} == {1}


def test_the_wheel_gives_speed_ten_times_a_second_on_the_same_clock() -> None:
    driver, board = make({"wheel_pulses_per_m": 10.0}, pulse_hz=250.0, drift_ppm=50.0)
    driver.open(0)
    rows = read_for(driver, board, 8.0, plan=1)
    assert [row.index for row in rows] == list(range(rows[0].index, rows[0].index + len(rows)))
    assert len(rows) >= 76
    late = rows[10:]
    np.testing.assert_allclose(join(late)[:, 0], 25.0, rtol=0.04)
    assert all(abs(row.t0_ns - board.row_ns(row.index * 100)) < 1e6 for row in rows)
    assert all(row.data.dtype == np.dtype("<f4") and row.data.shape == (1, 1) for row in rows)


def test_only_the_wheel_may_be_used() -> None:
    driver, board = make({"wheel_pulses_per_m": 10.0, "inputs": ("", "", "", "")}, pulse_hz=250.0)
    assert [plan.name for plan in driver.plans] == ["wheel"]
    driver.open(0)
    assert read_for(driver, board, 1.0, plan=0)[0].data.shape == (1, 1)


def test_a_board_without_pulse_input_says_so_and_travel_comes() -> None:
    driver, board = make({"wheel_pulses_per_m": 10.0}, has_pulse_input=False)
    driver.open(0)
    assert read_for(driver, board, 1.5)
    state = driver.state().channels[-1]
    assert (state.quantity, state.word) == (SPEED, "wrong")
    assert "has no pulse input" in state.text


def test_a_replayed_identity_does_not_end_a_run() -> None:
    """The board may say who it is at any time."""
    driver, board = make()
    driver.open(0)
    read_for(driver, board, 0.5)
    board.say(0x01, board.identity())
    assert read_for(driver, board, 1.0)
