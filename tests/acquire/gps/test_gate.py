"""Each reason against a fix, alone; what is believed and when again."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.gps.haversine import haversine_m
from acquire.gps.replaying import Chain, play
from acquire.gps.talk import START_DEG, drive, epoch, gga, north_of, rmc, seal
from dutylog.acquire.gps.fixes import Fix, GateLimits, compare, compute_distance_m, compute_step_s
from dutylog.acquire.gps.gate import REASONS

LIMITS = GateLimits()
NOON_S = 43_200.0


def _believed(pieces, **options):
    chain, fixes = play(pieces, **options)
    return chain, [len(found) for found in fixes]


def _settled(*pieces):
    """Return counts after a steady drive of 5 s at 10 m/s and then these pieces, one a second."""
    chain, counts = _believed([*drive(5), *pieces])
    assert counts[:5] == [0, 0, 1, 1, 1]
    return chain, counts[5:]


def _at(i, **changes):
    """Return the epoch i seconds after the start of the drive, changed."""
    return epoch(NOON_S + i, north_of(10.0 * i), **{"speed_mps": 10.0, **changes})


def test_a_steady_drive_is_believed_from_the_third_fix_on():
    chain, counts = _believed(drive(20))
    assert counts == [0, 0] + [1] * 18
    assert chain.gate.counts == {"settling": 2}
    assert chain.gate.newest.speed_mps == pytest.approx(10.0, abs=1e-5)


@pytest.mark.parametrize(
    ("reason", "piece"),
    [
        ("no_fix", _at(5, status="V")),
        ("no_fix", _at(5, mode="N")),
        ("no_fix", _at(5, quality=0)),
        ("estimated", _at(5, mode="E")),
        ("estimated", _at(5, status="V", mode="E")),
        ("estimated", _at(5, mode="M")),
        ("estimated", _at(5, mode="S")),
        ("estimated", _at(5, quality=6)),
        ("estimated", _at(5, quality=7)),
        ("estimated", _at(5, quality=8)),
        ("nowhere", epoch(NOON_S + 5, (0.0, 0.0), 10.0)),
        ("disagree", rmc(NOON_S + 5, north_of(50), 10.0) + gga(NOON_S + 5, north_of(56))),
        ("hdop", _at(5, hdop="5.1")),
        ("hdop", _at(5, hdop="99.99")),
        ("too_fast", _at(5, speed_mps=100.1)),
        ("time_back", epoch(NOON_S - 60, north_of(50), 10.0)),
        ("time_jump", epoch(NOON_S + 60, north_of(50), 10.0)),
        ("speed_step", _at(5, speed_mps=29.0)),
        ("jump", epoch(NOON_S + 5, north_of(40 + 126), 10.0)),
        ("speed_mismatch", epoch(NOON_S + 5, north_of(40 + 60), 10.0)),
    ],
)
def test_one_wrong_epoch_is_refused_for_its_reason_and_the_next_right_one_believed(reason, piece):
    """One bad second is a gap of one row; it must neither be believed nor cost more."""
    chain, counts = _settled(piece, _at(6), _at(7))
    assert counts == [0, 1, 1]
    assert chain.gate.counts == {"settling": 2, reason: 1}


@pytest.mark.parametrize(
    "piece",
    [
        _at(5, hdop="5.0"),
        _at(5, hdop="0.0"),
        _at(5, hdop=""),
        _at(5, speed_mps=27.0),
        _at(5, mode="D"),
        _at(5, mode="R", quality=4),
        _at(5, mode="F", quality=5),
        rmc(NOON_S + 5, north_of(50), 10.0) + gga(NOON_S + 5, north_of(54)),
        epoch(NOON_S + 6, north_of(50), 10.0),
        epoch(NOON_S + 5, north_of(40 + 30), 10.0),
    ],
)
def test_what_lies_within_the_limits_is_believed(piece):
    _, counts = _settled(piece)
    assert counts == [1]


def test_a_void_rmc_without_anything_is_no_fix():
    chain, counts = _settled(b"$GNRMC,,V,,,,,,,,,,N*4D\r\n")
    assert counts == [0]
    assert chain.gate.counts["no_fix"] == 1


def test_a_valid_rmc_without_a_speed_is_incomplete():
    """Speed unknown is never zero: without its field there is no row."""
    body = rmc(NOON_S + 5, north_of(50)).split(b",")
    body[7] = b""
    text = b",".join(body)[1:-5].decode()
    chain, counts = _settled(seal(text) + gga(NOON_S + 5, north_of(50)))
    assert counts == [0]
    assert chain.gate.counts["incomplete"] == 1


def test_gga_alone_is_no_fix_but_does_no_harm():
    """A receiver that sends GGA ten times a second and RMC once is believed once a second."""
    pieces = []
    for i in range(5):
        pieces.append(_at(i) + b"".join(gga(NOON_S + i + j / 10, north_of(10 * i + j)) for j in range(1, 10)))
    chain, counts = _believed(pieces)
    assert counts == [0, 0, 1, 1, 1]
    assert chain.gate.counts["no_rmc"] == 5 * 9 - 1


def test_every_reason_is_reached_by_a_test():
    """`settling` and `no_rmc` have their own; the table above has the others."""
    marks = test_one_wrong_epoch_is_refused_for_its_reason_and_the_next_right_one_believed.pytestmark
    reached = {case[0] for case in marks[0].args[1]}
    assert reached | {"settling", "no_rmc", "incomplete"} == set(REASONS)


def test_a_fall_of_speed_that_no_tyre_makes_is_refused():
    """90 to 0 km/h within a second: splice, or a crash, which then reads as unknown for some seconds."""
    chain, counts = _believed([*drive(5, speed_mps=25.0), epoch(NOON_S + 5, north_of(125.0), 0.0)])
    assert counts == [0, 0, 1, 1, 1, 0]
    assert chain.gate.counts["speed_step"] == 1


def test_a_place_that_stays_while_speed_is_high_is_refused():
    pieces = [*drive(5, speed_mps=40.0), epoch(NOON_S + 5, north_of(160.0), 40.0)]
    chain, counts = _believed(pieces)
    assert counts[5] == 0
    assert chain.gate.counts["speed_mismatch"] == 1


def test_parked_noise_reads_as_it_is():
    """Below 0.5 m/s a parked receiver wanders; its figure is handed on, neither refused nor made zero."""
    speeds = [0.0, 0.31, 0.02, 0.44, 0.12, 0.49]
    pieces = [epoch(NOON_S + i, north_of(0.3 * (i % 3)), speed) for i, speed in enumerate(speeds)]
    _, fixes = play(pieces)
    read = [found[0].speed_mps for found in fixes if found]
    assert read == pytest.approx(speeds[2:], abs=1e-6)


def test_a_drive_over_midnight_is_believed_throughout():
    chain, counts = _believed(drive(10, tod_s=86_395.0))
    assert counts == [0, 0] + [1] * 8
    assert chain.gate.counts == {"settling": 2}


def test_midnight_is_a_step_of_a_second():
    assert compute_step_s(86_399.5, 0.5) == 1.0
    assert compute_step_s(0.5, 86_399.5) == -1.0
    assert compute_step_s(10.0, 12.0) == 2.0


def test_after_a_gap_three_fixes_must_agree():
    """Out of a tunnel the first fixes are the worst."""
    drive_on = drive(30)
    chain = Chain()
    believed = [chain.push(piece, 100.0 + i) for i, piece in enumerate(drive_on) if i < 5 or i > 9]
    assert [len(found) for found in believed] == [0, 0, 1, 1, 1] + [0, 0] + [1] * 18
    assert chain.gate.counts == {"settling": 4}


def test_a_short_silence_is_no_gap():
    chain = Chain()
    for i, piece in enumerate(drive(12)):
        if i not in (5, 6, 7, 8):
            chain.push(piece, 100.0 + i)
    assert chain.gate.counts == {"settling": 2}


def test_at_ten_hertz_settling_takes_as_long_as_at_one():
    """Three fixes in 0.2 s prove nothing."""
    chain = Chain()
    counts = [len(chain.push(piece, 100 + i / 10)) for i, piece in enumerate(drive(3, step_s=0.1))]
    assert counts.index(1) == 18
    assert sum(counts) == 30 - 18


def test_a_receiver_that_was_wrong_is_believed_again_after_ten_fixes():
    """It jumps 5 km and stays there, steadily: then the old place was the wrong one."""
    far = [epoch(NOON_S + i, north_of(5000 + 10 * i), 10.0) for i in range(5, 25)]
    chain, counts = _settled(*far)
    # Its silence counts as a gap after 5 s, and 5 km are reachable after 50 s: ten fixes it is.
    assert counts == [0] * 9 + [1] * 11
    assert chain.gate.counts == {"settling": 2, "jump": 9}


def test_receivers_that_take_turns_never_settle():
    """Two places in turn, each steady: neither contradicts itself, but no two in a row agree."""
    pieces = [epoch(NOON_S + i, north_of(5000 * (i % 2)), 0.0) for i in range(40)]
    chain, counts = _believed(pieces)
    assert sum(counts) == 0
    assert chain.gate.counts == {"settling": 40}


def test_a_backlog_read_late_is_not_stamped_now():
    """After a stall the kernel hands over seconds at once: their arrival says nothing of when they were."""
    chain = Chain()
    pieces = drive(20)
    for i in range(5):
        chain.push(pieces[i], 100.0 + i)
    # The last of them came a second late, within the margin of 1.5 s.
    late = [len(chain.push(pieces[i], 109.0)) for i in range(5, 9)]
    assert late == [0, 0, 0, 1]
    assert [len(chain.push(pieces[i], 100.0 + i)) for i in range(9, 14)] == [1, 1, 1, 1, 1]


def test_two_talkers_repeating_one_instant_are_one_fix():
    pieces = [
        rmc(NOON_S + i) + gga(NOON_S + i) + gga(NOON_S + i, talker="GA") + rmc(NOON_S + i, talker="GA")
        for i in range(4)
    ]
    chain, counts = _believed(pieces)
    assert counts == [0, 0, 1, 1]
    assert chain.epochs.repeats == 8


def test_gga_first_or_rmc_first_is_the_same():
    rmc_first = [rmc(NOON_S + i) + gga(NOON_S + i) for i in range(6)]
    gga_first = [gga(NOON_S + i) + rmc(NOON_S + i) for i in range(6)]
    assert _believed(rmc_first)[1] == _believed(gga_first)[1] == [0, 0, 1, 1, 1, 1]


def test_rmc_alone_waits_for_a_gga_ten_seconds_long_and_then_no_more():
    """A receiver without GGA is believed too, without its dilution."""
    chain, counts = _believed([rmc(NOON_S + i) for i in range(16)])
    assert chain.gate.newest.hdop is None
    assert sum(counts) == 14
    assert counts[-1] == 1
    assert chain.gate.newest.tod_s == NOON_S + 15


def test_the_dilution_of_a_gga_holds_for_the_rmc_between():
    """Some receivers send GGA in every other epoch: bad dilution mustn't hide behind that."""
    pieces = [rmc(NOON_S + i) if i % 2 else gga(NOON_S + i, hdop="8.0") for i in range(12)]
    chain, counts = _believed(pieces)
    assert sum(counts) == 0
    assert chain.gate.counts["hdop"] >= 5


PLACES = st.tuples(st.floats(-89.9, 89.9), st.floats(-180, 180))


@settings(deadline=None)
@given(PLACES, PLACES)
def test_distance_agrees_with_the_haversine(a_deg, b_deg):
    """A chord is shorter than its arc: chord = 2 R sin(arc / 2R), exactly; 1 mm + 1e-9 for rounding of both."""
    arc_m = haversine_m(a_deg, b_deg)
    chord_m = 2 * 6_371_008.8 * math.sin(arc_m / (2 * 6_371_008.8))
    assert compute_distance_m(a_deg, b_deg) == pytest.approx(chord_m, rel=1e-9, abs=0.05)


def test_distance_holds_across_the_date_line():
    assert compute_distance_m((0.0, 179.9999), (0.0, -179.9999)) == pytest.approx(22.239, abs=1e-3)


FIX = Fix(100_000_000_000, NOON_S, *START_DEG, 10.0, None, 0.9, 9)


@settings(deadline=None)
@given(st.floats(0.1, 5.0), st.floats(0, 100), st.floats(0, 2 * math.pi), st.floats(0, 1000))
def test_no_two_fixes_go_together_that_no_vehicle_connects(step_s, speed_mps, course_rad, distance_m):
    """The bound that all rests on: at most 100 m/s and the margin."""
    north, east = distance_m * math.cos(course_rad), distance_m * math.sin(course_rad)
    place = north_of(north)
    place = place[0], place[1] + math.degrees(east / (6_371_008.8 * math.cos(math.radians(place[0]))))
    later = replace(
        FIX,
        mono_ns=FIX.mono_ns + round(step_s * 1e9),
        tod_s=NOON_S + step_s,
        latitude_deg=place[0],
        longitude_deg=place[1],
        speed_mps=speed_mps,
    )
    if compare(FIX, later, LIMITS) == "":
        # The sphere's curvature over a kilometre moves the place by less than a metre at this latitude.
        assert haversine_m(START_DEG, place) <= 100.0 * step_s + LIMITS.margin_m + 1.0
        assert abs(speed_mps - 10.0) <= 15.0 * step_s + 3.0


@settings(deadline=None)
@given(st.floats(0.0, 60.0), st.floats(-10.0, 10.0), st.sampled_from([0.1, 0.2, 1.0]))
def test_any_drive_within_grip_is_believed(speed_mps, acceleration_mps2, step_s):
    """Straight, speeding up or braking as hard as tyres can (10 m/s2, common practice): nothing is refused."""
    pieces, place_m = [], 0.0
    for i in range(round(6 / step_s)):
        pieces.append(epoch(NOON_S + i * step_s, north_of(place_m), speed_mps))
        following = min(99.0, max(0.0, speed_mps + acceleration_mps2 * step_s))
        place_m += (speed_mps + following) / 2 * step_s
        speed_mps = following
    chain, _ = play(pieces, step_s=step_s)
    assert set(chain.gate.counts) == {"settling"}
    assert chain.gate.believed > 0


@settings(deadline=None)
@given(st.floats(6.0, 30.0), st.booleans())
def test_a_tight_circle_is_believed(speed_mps, is_left):
    """Sideways 10 m/s2, as tight as tyres hold: the straight line between fixes is shorter than the way."""
    radius_m = speed_mps**2 / 10.0
    pieces = []
    for i in range(10):
        angle = (1 if is_left else -1) * i * speed_mps / radius_m
        place = north_of(radius_m * math.sin(angle))
        east = radius_m * (1 - math.cos(angle))
        place = place[0], place[1] + math.degrees(east / (6_371_008.8 * math.cos(math.radians(place[0]))))
        pieces.append(epoch(NOON_S + i, place, speed_mps))
    chain, _ = play(pieces)
    assert chain.gate.counts == {"settling": 2}


def test_a_place_that_creeps_while_speed_stays_low_is_refused():
    """As after a cold start: each step is within the margin, but over some seconds place and speed part."""
    pieces = [epoch(NOON_S + i, north_of(20.0 * max(0, i - 4)), 0.5) for i in range(30)]
    chain, counts = _believed(pieces)
    assert counts[:5] == [0, 0, 1, 1, 1]
    assert sum(counts[6:]) == 0
    assert set(chain.gate.counts) == {"settling", "speed_mismatch"}


def test_a_speed_that_lags_behind_its_places_is_believed():
    """Receivers smooth: full throttle with the speed a second late."""
    pieces = [epoch(NOON_S + i, north_of(0.5 * 4.0 * max(0, i - 4) ** 2), 4.0 * max(0, i - 5)) for i in range(14)]
    chain, _ = _believed(pieces)
    assert chain.gate.counts == {"settling": 2}


def test_a_place_behind_the_last_one_is_refused_where_speed_does_not_allow_the_way_back():
    """A splice of the present time with the place of eight seconds ago, after a lost second."""
    pieces = [*drive(20), b"", epoch(NOON_S + 21, north_of(130), 10.0)]
    _, counts = _believed(pieces)
    assert counts[-1] == 0


def test_a_parked_receiver_that_wanders_for_minutes_is_believed():
    """Places wander by tens of metres over minutes at speed 0: only the last ten seconds are compared."""
    pieces = [epoch(NOON_S + i, north_of(0.3 * i), 0.0) for i in range(200)]
    chain, _ = _believed(pieces)
    assert chain.gate.counts == {"settling": 2}
