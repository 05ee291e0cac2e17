"""The driver on a made line: rows, times, words, counters, what `dutylog check` says; and on a real pseudo-terminal."""

from __future__ import annotations

import os
import threading
import tty

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.gps.talk import FakeLine, drive, epoch, gga, north_of, rmc, seal
from dutylog.acquire.gps.driver import LATENCY_NS, GpsDriver
from dutylog.clock import ManualClock, SystemClock
from dutylog.config.sensors import GpsSettings
from dutylog.errors import SourceLost, WrongDevice

SETTINGS = GpsSettings("/dev/gps", 9600)
S = 10**9


def _timed(pieces, start_s=100.0, step_s=1.0):
    return [(start_s + i * step_s, piece) for i, piece in enumerate(pieces)]


def _open(pieces, start_s=99.0, t0_s=0.0, lost_s=None, driver=None, clock=None):
    """Return a driver opened on a line that says these timed pieces, and its clock."""
    clock = clock or ManualClock(round(start_s * S))
    line = FakeLine(clock, pieces, lost_s)
    driver = driver or GpsDriver(SETTINGS, clock, open_line=lambda port, baud: line, build_year=2026)
    driver.open(round(t0_s * S))
    return driver, clock, line


def _read_until(driver, clock, end_s, rows=None):
    rows = [] if rows is None else rows
    while clock.mono_ns() < end_s * S:
        rows += driver.read(0.2)
    return rows


def test_the_plan_is_one_stream_of_speed_and_place_at_one_hertz():
    driver = GpsDriver(SETTINGS, ManualClock())
    (plan,) = driver.plans
    assert (driver.name, driver.is_clocked, plan.name, plan.dtype, plan.period_fs) == (
        "gps",
        False,
        "gps",
        "f8",
        10**15,
    )
    assert [(c.name, c.quantity, c.unit) for c in plan.channels] == [
        ("", "speed", "mps"),
        ("", "latitude", "deg"),
        ("", "longitude", "deg"),
    ]


def test_a_drive_becomes_a_row_a_second():
    """10 m/s north from the third fix on; the place to 1e-9 deg, 0.1 mm."""
    driver, clock, _ = _open(_timed(drive(20)))
    rows = _read_until(driver, clock, 121)
    assert [row.index for row in rows] == list(range(102, 120))
    assert all(row.t0_ns == row.index * S and row.period_fs == 10**15 and row.data.dtype == "f8" for row in rows)
    data = np.concatenate([row.data for row in rows])
    assert data[:, 0] == pytest.approx(np.full(18, 10.0), abs=1e-5)
    assert data[:, 1] == pytest.approx([north_of(10.0 * i)[0] for i in range(2, 20)], abs=1e-9)
    assert data[:, 2] == pytest.approx(np.full(18, 7.0), abs=1e-9)


def test_a_row_lies_at_the_slot_of_its_arrival_less_the_latency():
    """A grid half a second off: arrival at .0 less 0.2 s lies nearest to the row at .5 before."""
    driver, clock, _ = _open(_timed(drive(6)), t0_s=50.6)
    rows = _read_until(driver, clock, 107)
    # First believed at 102.0, taken at 101.8; the grid has 101.6.
    assert LATENCY_NS == 200_000_000
    assert (rows[0].index, rows[0].t0_ns) == (51, 101_600_000_000)


def test_the_receivers_own_time_does_not_move_a_row():
    """A receiver whose clock is hours wrong but steady makes the same rows."""
    for tod_s in (0.0, 43_200.0, 86_390.0):
        driver, clock, _ = _open(_timed(drive(20, tod_s=tod_s)))
        assert [row.index for row in _read_until(driver, clock, 121)] == list(range(102, 120))


def test_no_fix_is_a_gap_and_never_a_zero():
    pieces = drive(8) + [epoch(43_208.0 + i, (0.0, 0.0), 0.0, status="V", quality=0) for i in range(8)]
    driver, clock, _ = _open(_timed(pieces))
    rows = _read_until(driver, clock, 120)
    assert [row.index for row in rows] == list(range(102, 108))
    assert min(row.data[0, 0] for row in rows) > 9.9
    state = driver.state()
    assert state.word == "waiting"
    assert state.text.startswith("gps /dev/gps: no fix: antenna needs sky")
    assert {channel.word for channel in state.channels} == {"waiting"}


def test_a_receiver_at_ten_hertz_gives_one_row_a_second():
    driver, clock, _ = _open(_timed(drive(10, step_s=0.1), step_s=0.1))
    rows = _read_until(driver, clock, 113)
    assert [row.index for row in rows] == list(range(rows[0].index, rows[0].index + len(rows)))
    assert len(rows) in (8, 9)
    for row in rows[1:-1]:
        # Driven at 10 m/s since 100.0, the place says when: within 0.05 s of the row's own instant. The last
        # one is cut off by the end of the drive.
        taken_s = 100.0 + (row.data[0, 1] - 45.0) / (north_of(10.0)[0] - 45.0)
        assert taken_s - LATENCY_NS / S == pytest.approx(row.index, abs=0.051)


def test_words_follow_the_receiver():
    driver = GpsDriver(SETTINGS, ManualClock())
    assert (driver.state().word, driver.state().text) == ("lost", "gps /dev/gps: not opened yet")
    driver, clock, line = _open(_timed(drive(5)))
    assert driver.state().word == "waiting"
    _read_until(driver, clock, 103)
    assert (driver.state().word, driver.state().text) == ("working", "")
    driver.close()
    driver.close()
    assert driver.state().word == "lost"
    assert line.closed == 1


def test_counters_name_what_came():
    bad = rmc(43_203.0)[:-4] + b"00\r\n"
    odd = seal("GPRMC,000344.03,A,4808.9992,N,4,02.3")
    other = seal("GPGSV,3,3,12,2,40,16,00,090,")
    driver, clock, _ = _open(_timed([*drive(5), bad + odd + other + rmc(43_201.0)]))
    _read_until(driver, clock, 107)
    counters = driver.state().counters
    names = ("sentences", "bad_checksums", "rmc", "gga", "other", "malformed", "rows", "repeats", "fixes")
    assert [counters[name] for name in names] == [10 + 3, 1, 6, 5, 1, 1, 3, 1, 3]
    assert counters["unbelieved_settling"] == 2
    assert counters["date_settling"] == 3


def test_the_wrong_baud_is_named():
    driver, clock, _ = _open(_timed([b"\x00\xf8\x80\x80" * 50] * 12))
    _read_until(driver, clock, 110)
    assert driver.state().word == "waiting"
    assert "no sentence of NMEA 0183 at 9600 baud" in driver.state().text


def test_a_receiver_without_rmc_is_named():
    driver, clock, _ = _open(_timed([gga(43_200.0 + i) for i in range(8)]))
    assert _read_until(driver, clock, 109) == []
    assert "no RMC; switch RMC and GGA on" in driver.state().text


def test_a_mute_port_is_lost_at_open_with_the_remedy():
    clock = ManualClock(S)
    line = FakeLine(clock, [])
    driver = GpsDriver(SETTINGS, clock, open_line=lambda port, baud: line)
    with pytest.raises(SourceLost, match=r"gps /dev/gps: no byte within 3 s; check the receiver's power"):
        driver.open(0)
    assert driver.state().word == "lost"
    driver.close()
    assert line.closed == 1


def test_a_receiver_that_falls_silent_is_lost():
    driver, clock, _ = _open(_timed(drive(5)))
    with pytest.raises(SourceLost, match="silent for 10 s"):
        _read_until(driver, clock, 130)
    assert clock.mono_ns() / S == pytest.approx(114.0, abs=0.5)


def test_a_port_that_is_no_line_is_wrong(tmp_path):
    file = tmp_path / "file"
    file.write_bytes(b"")
    driver = GpsDriver(GpsSettings(str(file)), ManualClock())
    with pytest.raises(WrongDevice, match="expected a serial device"):
        driver.open(0)
    assert driver.state().word == "wrong"


def test_a_port_that_is_not_there_is_lost(tmp_path):
    driver = GpsDriver(GpsSettings(str(tmp_path / "none")), ManualClock())
    with pytest.raises(SourceLost, match="isn't there"):
        driver.open(0)
    assert driver.state().word == "lost"


def test_lost_in_the_middle_of_a_sentence_it_goes_on_where_it_comes_back():
    """The half sentence mustn't join with what the next opening says, and rows stay on the same grid."""
    clock = ManualClock(99 * S)
    pieces = drive(40)
    first = FakeLine(clock, [*_timed(pieces[:6]), (106.0, pieces[6][:40])], lost_s=106.1)
    second = FakeLine(clock, [(119.5, pieces[19][40:]), *_timed(pieces[20:30], 120.0)])
    lines = [first, second]
    driver = GpsDriver(SETTINGS, clock, open_line=lambda port, baud: lines.pop(0))
    driver.open(0)
    rows = []
    with pytest.raises(SourceLost, match="gone"):
        _read_until(driver, clock, 110, rows)
    assert driver.state().word == "lost"
    driver.close()
    clock.advance(13.0)
    driver.open(0)
    rows += _read_until(driver, clock, 131)
    assert [row.index for row in rows] == [102, 103, 104, 105, *range(122, 130)]
    counters = driver.state().counters
    assert [counters[name] for name in ("broken", "bad_checksums", "malformed")] == [1, 0, 0]
    assert (first.closed, second.closed) == (1, 0)


def test_the_same_row_is_not_given_twice_after_a_quick_loss():
    clock = ManualClock(99 * S)
    pieces = drive(20)
    lines = [FakeLine(clock, _timed(pieces[:6]), lost_s=105.15), FakeLine(clock, _timed(pieces[6:12], 105.3))]
    driver = GpsDriver(SETTINGS, clock, open_line=lambda port, baud: lines.pop(0))
    driver.open(0)
    rows = []
    with pytest.raises(SourceLost, match="gone"):
        _read_until(driver, clock, 110, rows)
    driver.open(0)
    rows += _read_until(driver, clock, 112)
    indices = [row.index for row in rows]
    assert indices == sorted(set(indices))
    assert len(indices) > 6


def test_the_wall_time_belongs_to_the_instant_of_the_fix():
    driver, clock, _ = _open(_timed(drive(20)))
    assert driver.utc() is None
    _read_until(driver, clock, 121)
    utc_ns, mono_ns = driver.utc()
    # 1 July 2026, 12:00:19 UTC is 1782907219 s after 1970 (date -u -d); arrived at 119.0.
    assert (utc_ns, mono_ns) == (1_782_907_219 * S, 118_800_000_000)


def test_the_wall_time_isnt_given_by_a_date_before_the_program():
    pieces = [epoch(43_200.0 + i, north_of(10.0 * i), 10.0, date="220899") for i in range(20)]
    driver, clock, _ = _open(_timed(pieces))
    rows = _read_until(driver, clock, 121)
    assert driver.utc() is None
    assert len(rows) == 18
    assert driver.state().counters["date_before_build"] == 18


def test_check_finds_a_healthy_receiver():
    driver, _, _ = _open(_timed(drive(30)))
    findings = driver.probe()
    assert [finding.verdict for finding in findings] == ["pass", "pass", "pass"]
    assert [finding.subject for finding in findings] == ["gps /dev/gps", "gps fix", "gps sky"]
    assert "2.0 sentences a second, 0 damaged" in findings[0].text
    assert findings[1].text.endswith("believed, 10.0 m/s")
    assert findings[2].text == "9 satellites used, horizontal dilution 0.9"


def test_check_finds_a_receiver_without_sky():
    pieces = [epoch(43_200.0 + i, (0.0, 0.0), 0.0, status="V", quality=0, satellites=2, hdop="") for i in range(9)]
    driver, _, _ = _open(_timed(pieces))
    line, fix, sky = driver.probe()
    assert (line.verdict, fix.verdict, sky.verdict) == ("pass", "look", "look")
    assert fix.text == "no fix: antenna needs sky"
    assert sky.text == "2 satellites used, no dilution told"


def test_check_finds_the_wrong_baud_damage_silence_and_an_old_date():
    driver, _, _ = _open(_timed([b"\x00\xf8\x80" * 9] * 9))
    assert [(f.verdict, f.remedy) for f in driver.probe()] == [("fail", "set the receiver's own baud")]

    damaged = [piece + rmc(0.0)[:-4] + b"00\r\n" for piece in drive(9)]
    driver, _, _ = _open(_timed(damaged))
    assert driver.probe()[0].verdict == "look"

    driver, _, _ = _open([(100.0, b"$")])
    (finding,) = driver.probe()
    assert (finding.verdict, finding.text) == ("fail", "no byte in 3 s")

    old = [epoch(43_200.0 + i, date="220899") for i in range(9)]
    driver, _, _ = _open(_timed(old))
    finding = driver.probe()[-1]
    assert (finding.subject, finding.verdict) == ("gps date", "look")
    assert "1999-08-22 isn't believed; if its week number rolled over it is 2038-11-21" in finding.text


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_damage_anywhere_in_a_drive_never_makes_a_row_off_the_road(data):
    """Bytes lost, doubled, changed, spliced, even with checksums made right again: what is believed lies on the
    road. Straight north at 10 m/s, so a row's place and instant must agree to the stated bounds."""
    pieces = drive(25)
    for _ in range(data.draw(st.integers(1, 12))):
        i = data.draw(st.integers(0, len(pieces) - 1))
        cut = data.draw(st.integers(0, len(pieces[i])))
        other = pieces[data.draw(st.integers(0, len(pieces) - 1))]
        kind = data.draw(st.sampled_from(["cut", "splice", "noise", "sealed"]))
        if kind == "cut":
            pieces[i] = pieces[i][:cut]
        elif kind == "splice":
            pieces[i] = pieces[i][:cut] + other[data.draw(st.integers(0, len(other))) :]
        elif kind == "noise":
            pieces[i] = pieces[i][:cut] + data.draw(st.binary(max_size=40)) + pieces[i][cut:]
        else:
            body = (pieces[i][:cut] + other[cut:]).split(b"*")[0].strip(b"$\r\n")
            pieces[i] = seal(body.decode("ascii", "replace").replace("$", "")[:120])
    driver, clock, _ = _open([(99.5, b"\r\n"), *_timed(pieces)])
    rows = _read_until(driver, clock, 130)
    indices = [row.index for row in rows]
    assert indices == sorted(set(indices))
    since_s = [1, *np.diff(indices).tolist()]
    for row, gap_s in zip(rows, since_s, strict=False):
        speed_mps, latitude, longitude = row.data[0]
        place_m = (latitude - 45.0) / (north_of(1.0)[0] - 45.0)
        # A splice may hold an older place, reachable by driving back: forth and back at 10 m/s over the seconds
        # without a row (5 at most are bridged), the margin of 25 m, 1.5 s of time margin, half a slot.
        away_m = 2 * 10 * min(gap_s, 5) + 25 + 15 + 5
        assert place_m == pytest.approx(10.0 * (row.index + 0.2 - 100.0), abs=away_m)
        assert longitude == pytest.approx(7.0, abs=1e-3)
        assert 0.0 <= speed_mps <= 10.0 + 18.0


class Pty:
    """A receiver's end of a pseudo-terminal; `link` is a path that outlives it, as below /dev/serial/by-id."""

    def __init__(self, link):
        self._link = link
        self.plug()

    def plug(self):
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self._link.symlink_to(os.ttyname(self._slave))

    def unplug(self):
        self._link.unlink()
        os.close(self._slave)
        os.close(self.master)


@pytest.fixture
def pty(tmp_path):
    end = Pty(tmp_path / "receiver")
    yield end
    end.unplug()


class SteppedClock(SystemClock):
    """A monotonic clock that a test moves a second on for each epoch, so that nothing here takes real seconds."""

    def __init__(self):
        self.now_ns = 100 * S

    def mono_ns(self):
        return self.now_ns


def _open_while_it_talks(driver, pty):
    """Open; empty lines come all the while, since what came before the port is open is thrown away."""
    is_open = threading.Event()

    def talk():
        while not is_open.wait(0.01):
            os.write(pty.master, b"\r\n")

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        driver.open(0)
    finally:
        is_open.set()
        thread.join()


def _say(pty, driver, clock, pieces):
    """Write epochs, a second of the clock apart, and return the rows read; each must be read within a wait of 10 s."""
    rows = []
    for piece in pieces:
        clock.now_ns += S
        before = driver.state().counters["sentences"] + driver.state().counters["broken"]
        os.write(pty.master, piece)
        for _ in range(10_000):
            rows += driver.read(1e-3)
            counters = driver.state().counters
            if counters["sentences"] + counters["broken"] - before >= piece.count(b"\n"):
                break
        else:
            pytest.fail("what was written didn't come")
    return rows


def _drain(driver):
    """Read until nothing is left; there are at most some dozen bytes."""
    for _ in range(100):
        driver.read(0.1)


def test_unplugged_in_the_middle_of_a_sentence_and_plugged_in_again_on_a_real_line(pty, tmp_path):
    """Through the real serial line: SourceLost at once, and after it came back rows go on on the same grid."""
    clock = SteppedClock()
    driver = GpsDriver(GpsSettings(str(tmp_path / "receiver")), clock)
    pieces = drive(60)
    _open_while_it_talks(driver, pty)
    rows = _say(pty, driver, clock, pieces[:8])
    assert driver.state().word == "working"
    os.write(pty.master, pieces[8][:37])
    pty.unplug()
    with pytest.raises(SourceLost, match="is gone"):
        _drain(driver)
    assert driver.state().word == "lost"
    driver.close()
    with pytest.raises(SourceLost, match="isn't there"):
        driver.open(0)
    clock.now_ns += 20 * S
    pty.plug()
    _open_while_it_talks(driver, pty)
    rows += _say(pty, driver, clock, pieces[28:40])
    driver.close()
    assert [row.index for row in rows] == [*range(103, 109), *range(131, 141)]
    assert driver.state().counters["malformed"] == 0
    assert driver.state().counters["bad_checksums"] == 0
