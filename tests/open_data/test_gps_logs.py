"""Real output of GPS receivers, some of it really damaged: nothing crashes, no nonsense is believed.

Source: gpsd project, test/daemon/*.log (BSD-2-Clause), captures of many receivers with who and where in each
head; and bytes of a serial line with binary and text mixed, from power-up to the first fix (endaq-python,
tests/ide/nmea.IDE, MIT). See shared/GPS.md.
"""

from __future__ import annotations

import itertools
import statistics
from datetime import UTC, datetime

import numpy as np
import pytest

from acquire.gps.haversine import haversine_m
from acquire.gps.replaying import Chain
from acquire.gps.talk import FakeLine, seal
from dutylog.acquire.gps.driver import LATENCY_NS, GpsDriver
from dutylog.acquire.gps.sentences import Rmc, parse_sentence
from dutylog.acquire.gps.splitter import Splitter
from dutylog.clock import ManualClock
from dutylog.config.sensors import GpsSettings
from dutylog.errors import FrameError
from open_data.folders import find_folder

LOGS = "gpsd_receiver_logs"
MIXED = "serial_mixed_ubx_nmea_bytes"

BELIEVED = {
    "GPSmap-76S.log": 0,
    "ac12.log": 5,
    "beidou-bd.log": 2,
    "beidou-gb.log": 0,
    "bn-9015.log": 4,
    "bt-q818.log": 8,
    "bu353-glonass.log": 6,
    "bu353s4.log": 23,
    "ch-4701.log": 0,
    "ch-4711.log": 5,
    "eXplorist110.log": 0,
    "eXplorist210.log": 2,
    "ericsson-gru04.log": 0,
    "firefly-II.log": 21,
    "furuno_gl_ga.log": 14,
    "garmin-10x.log": 4,
    "garmin15x.log": 5,
    "garmin17n.log": 0,
    "garmin38.log": 3,
    "garmin48.log": 4,
    "gp-320fw-2019-03-28.log": 18,
    "gp-320fw-2019-04-06-overflow.log": 18,
    "gp-320fw-2019-04-07-coldboot.log": 0,
    "gps-360.log": 0,
    "gpsdf.log": 49,
    "gr601-w.log": 7,
    "gr8013-w.log": 1,
    "haicom-305N.log": 35,
    "hemi.log": 0,
    "humminbird-M37.log": 13,
    "iTrek.log": 32,
    "jl-micro-jlt.log": 0,
    "magellan-ec10.log": 19,
    "meinberg-gps164.log": 63,
    "motorola-t805.log": 11,
    "mt3339.log": 28,
    "mtk-3301.log": 2,
    "myguide-3100.log": 0,
    "navika-100-fix.log": 18,
    "neo-m8n.log": 21,
    "nl2008u.log": 3,
    "nl551e.log": 12,
    "nmea-fuzzy-cases.log": 3,
    "nokia-ld-4w.log": 17,
    "oncore.log": 0,
    "polarx2.log": 0,
    "pypilot.log": 0,
    "quectel-eg25-g-2.log": 1,
    "quectel-eg25-g.log": 9,
    "quectel-l76k-binary.log": 0,
    "quectel-l76k-dual.log": 128,
    "quectel-l76k-nmea.log": 140,
    "quectelLC79D-1.log": 27,
    "quectelLC79D.log": 28,
    "rst39.log": 1,
    "rx210.log": 38,
    "skytraq-PX1172RH_DS.log": 7,
    "skytraq-dgps.log": 94,
    "skytraq-fixB.log": 4,
    "skytraq.log": 0,
    "sounder.log": 0,
    "st-teseo-liv3f.log": 27,
    "telit-pls83-w.log": 8,
    "tn200-all.log": 0,
    "tn204.log": 2,
    "tnt-revolution.log": 0,
    "tr737A+.log": 0,
    "triton400.log": 2,
    "ublox-f9p-hpnmea.log": 7,
    "ublox-lea-4h.log": 1,
    "ublox-lea-5h.log": 12,
    "ublox-lea-5q.log": 0,
    "ublox-neo-m9n-nmea.log": 59,
    "ublox-zed-f9p-nmea.log": 27,
    "unicore-um621.log": 11,
    "venus634lp.log": 0,
    "nmea_stream.bin": 51,
}
"""Fixes believed of each log. None: no fix in it, dilution over 5, fewer than three fixes, no RMC, or binary only."""

DAMAGED = {
    "gp-320fw-2019-04-07-coldboot.log": (36, 0.0),
    "gpsdf.log": (46, 0.1),
    "firefly-II.log": (23, 2.0),
    "triton400.log": (0, 1.0),
    "quectel-l76k-dual.log": (0, 1.0),
}
"""Logs that are known to be damaged: sentences with a wrong checksum (counted independently when the data were
gathered, MANIFEST.csv beside them; the last two are cut and mixed with binary), and how far apart [m] neighbours
among what is believed may be. All stand still but for wander."""

MOVING = ("haicom-305N.log", "garmin15x.log", "humminbird-M37.log", "nl2008u.log")


def _pace(data):
    """Return (instant [s], line) of a log: each new time of an RMC is one median spacing of them later.

    Logs don't say when a line came. The constant pace leaves gaps and steps of the receiver's time standing out.
    """
    lines = data.splitlines(keepends=True)
    times_s = [_rmc_times(line) for line in lines]
    known = [tod_s for found in times_s for tod_s in found]
    steps = [later - earlier for earlier, later in itertools.pairwise(known) if 0 < later - earlier < 30]
    step_s = statistics.median(steps) if steps else 1.0
    now_s, last, paced = 100.0, None, []
    for line, found in zip(lines, times_s, strict=True):
        for tod_s in found:
            now_s += step_s if tod_s != last else 0.0
            last = tod_s
        paced.append((now_s, line))
    return paced


def _rmc_times(line):
    found = []
    for body, _ in Splitter().push(line, 0):
        try:
            sentence = parse_sentence(body)
        except FrameError:
            continue
        if isinstance(sentence, Rmc) and sentence.tod_s is not None:
            found.append(sentence.tod_s)
    return found


def _replay(data):
    """Return the chain that a log went through and the fixes believed."""
    chain = Chain()
    fixes = [fix for now_s, line in _pace(data) for fix in chain.push(line, now_s)]
    return chain, fixes + chain.finish()


def _logs():
    folder = find_folder(LOGS)
    logs = {path.name: path.read_bytes() for path in sorted(folder.glob("*.log"))}
    logs["nmea_stream.bin"] = (find_folder(MIXED) / "nmea_stream.bin").read_bytes()
    return logs


def _drive(data, build_year=2026):
    """Return a driver that has read a whole log from a line, and its rows."""
    paced = _pace(data)
    clock = ManualClock(99 * 10**9)
    line = FakeLine(clock, paced)
    driver = GpsDriver(GpsSettings("/dev/gps"), clock, open_line=lambda port, baud: line, build_year=build_year)
    driver.open(0)
    rows = []
    until_ns = round((paced[-1][0] + 5.0) * 1e9)
    while clock.mono_ns() < until_ns:
        rows += driver.read(0.2)
    return driver, rows


def _step_s(earlier, later):
    return (later.tod_s - earlier.tod_s + 43_200.0) % 86_400.0 - 43_200.0


def test_every_log_is_read_and_so_many_fixes_are_believed():
    """A table, so that a change of the rules shows what it does to real receivers."""
    believed = {name: len(_replay(data)[1]) for name, data in _logs().items()}
    assert {name: believed[name] for name in BELIEVED} == BELIEVED
    for name in believed.keys() - BELIEVED.keys():
        print(f"not in the table: {name}: {believed[name]} believed")


def test_nothing_believed_lies_further_from_its_neighbour_than_speed_allows():
    """Over all logs, by another formula of distance: way by the mean speed, a second of lag, 25 m."""
    count = 0
    for name, data in _logs().items():
        fixes = _replay(data)[1]
        for earlier, later in itertools.pairwise(fixes):
            step_s = _step_s(earlier, later)
            if (later.mono_ns - earlier.mono_ns) / 1e9 > 5.0:
                continue
            way_m = (earlier.speed_mps + later.speed_mps) / 2 * step_s + abs(later.speed_mps - earlier.speed_mps)
            assert step_s > 0, name
            assert haversine_m(earlier.position_deg, later.position_deg) <= way_m + 25.0, (name, later)
            count += 1
    assert count > 1000


@pytest.mark.parametrize("name", sorted(DAMAGED))
def test_damaged_logs_lose_sentences_and_gain_no_places(name):
    chain, fixes = _replay((find_folder(LOGS) / name).read_bytes())
    bad, away_m = DAMAGED[name]
    assert chain.splitter.counts.bad_checksums == bad
    for earlier, later in itertools.pairwise(fixes):
        assert haversine_m(earlier.position_deg, later.position_deg) <= away_m
    assert len(fixes) == BELIEVED[name]


def test_the_spliced_sentence_with_a_right_checksum_is_not_believed():
    """Its head names it: cut out of two and sealed by chance, it passes every checksum."""
    spliced = b"GPGSV,3,3,12,2,40,16,00,090,"
    data = (find_folder(LOGS) / "gp-320fw-2019-04-07-coldboot.log").read_bytes()
    good = [body for body, _ in Splitter().push(b"".join(x for x in data.splitlines(True) if x[:1] != b"#"), 0)]
    assert good.count(spliced) == 1
    assert parse_sentence(spliced) is None
    assert _replay(data)[1] == []


def test_real_sentences_spliced_and_sealed_anew_are_not_believed():
    """The same thing made worse: RMC of two receivers cut everywhere, each put into the middle of a good log.

    Whatever is believed then still lies within 30 m of the place where that receiver stood all the time.
    """
    folder = find_folder(LOGS)
    host = [line for line in (folder / "gp-320fw-2019-03-28.log").read_bytes().splitlines(True) if line[:1] == b"$"]
    foreign = [line for line in (folder / "gpsdf.log").read_bytes().splitlines(True) if line[:6] == b"$GPRMC"]
    places = [i for i, line in enumerate(host) if line[:6] == b"$GPRMC"]
    home_deg = _replay(b"".join(host))[1][0].position_deg
    middle, alien = host[places[12]], foreign[10]
    refused = 0
    for cut in range(1, 64):
        for shift in (-1, 0, 1):
            body = middle[1:cut] + alien[max(1, cut + shift) : alien.index(b"*")]
            lines = [*host[: places[12]], seal(body.decode().split("*")[0].replace("$", "")), *host[places[12] + 1 :]]
            chain, fixes = _replay(b"".join(lines))
            assert max(haversine_m(home_deg, fix.position_deg) for fix in fixes) < 30.0
            assert max(fix.speed_mps for fix in fixes) < 3.1
            # Lost is the spliced second and, where it holds a foreign time, what that time does to the pace.
            assert len(fixes) >= 12
            refused += chain.malformed + sum(chain.gate.counts.values()) > 2
    assert refused > 150


@pytest.mark.parametrize("name", MOVING)
def test_speeds_agree_with_places(name):
    """The way from speeds and the way from places, which say the same by different means (Doppler, ranges).

    5 % and 1 m: the digits of places (0.2 m, on each of some fixes) lengthen the way. A wrong unit shows: a
    knot taken for a mile an hour is 13 % less.
    """
    fixes = _replay((find_folder(LOGS) / name).read_bytes())[1]
    gone_m = way_m = 0.0
    for earlier, later in itertools.pairwise(fixes):
        step_s = _step_s(earlier, later)
        if 0 < step_s <= 2.5:
            gone_m += haversine_m(earlier.position_deg, later.position_deg)
            way_m += (earlier.speed_mps + later.speed_mps) / 2 * step_s
    assert way_m > 9.0
    assert gone_m == pytest.approx(way_m, rel=0.05, abs=1.0)


def test_a_week_that_rolled_over_costs_the_date_and_not_the_place():
    """Dated 2019-04-06, a day before its week number overflows: long before this program."""
    data = (find_folder(LOGS) / "gp-320fw-2019-04-06-overflow.log").read_bytes()
    driver, rows = _drive(data)
    counters = driver.state().counters
    assert (counters["fixes"], counters["date_before_build"]) == (18, 18)
    assert len(rows) == 18
    assert driver.utc() is None
    # A program of 2019 would believe it: it isn't the log that is wrong.
    assert _drive(data, build_year=2019)[0].utc() is not None


def test_dates_in_the_past_are_never_told_and_a_present_one_is():
    """Three logs are of 2026, seen by a program of 2026; the last RMC of one and the pair name the same instant."""
    folder = find_folder(LOGS)
    told = {}
    for path in sorted(folder.glob("*.log")):
        driver, _ = _drive(path.read_bytes())
        if driver.utc() is not None:
            told[path.name] = driver.utc()
    assert sorted(told) == ["quectel-l76k-dual.log", "quectel-l76k-nmea.log", "st-teseo-liv3f.log"]
    paced = _pace((folder / "quectel-l76k-dual.log").read_bytes())
    # This receiver sends GGA first, so that is when an epoch arrives.
    # It stands behind binary on its line.
    now_s, line = [(now_s, line[line.index(b"$GNGGA") :]) for now_s, line in paced if b"$GNGGA" in line][-1]
    fields = [line for _, line in paced if line[:6] == b"$GNRMC"][-1].decode().split(",")
    assert line.decode().split(",")[1] == fields[1]
    said = datetime.strptime(f"{fields[9]} {fields[1]}", "%d%m%y %H%M%S.%f").replace(tzinfo=UTC)
    utc_ns, mono_ns = told["quectel-l76k-dual.log"]
    assert utc_ns == int(said.timestamp()) * 10**9
    assert mono_ns == round(now_s * 1e9) - LATENCY_NS


def test_every_log_through_the_driver_gives_rows_that_rise_and_are_whole():
    """From bytes to rows: no crash, no row twice, never a place of 0, 0, never a NaN."""
    total = 0
    for name, data in _logs().items():
        driver, rows = _drive(data)
        indices = [row.index for row in rows]
        assert indices == sorted(set(indices)), name
        assert len(rows) <= driver.state().counters["fixes"], name
        for row in rows:
            assert row.data.shape == (1, 3)
            assert np.isfinite(row.data).all(), name
            assert abs(row.data[0, 1]) + abs(row.data[0, 2]) > 1.0, name
        total += len(rows)
    assert total > 1000


def test_every_log_cut_into_any_reads_is_the_same():
    """Reads of 1, 7 and 64 bytes: a serial line cuts anywhere."""
    data = (find_folder(MIXED) / "nmea_stream.bin").read_bytes()
    whole = Splitter()
    expected = [body for body, _ in whole.push(data, 0)]
    assert len(expected) == 1384
    for size in (1, 7, 64):
        splitter = Splitter()
        parts = [data[i : i + size] for i in range(0, len(data), size)]
        assert [body for part in parts for body, _ in splitter.push(part, 0)] == expected
        assert splitter.counts == whole.counts
