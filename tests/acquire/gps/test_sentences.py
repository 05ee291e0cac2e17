"""What RMC and GGA say, by closed form; what isn't built like them is refused."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.gps.talk import drive
from dutylog.acquire.gps.sentences import MPS_PER_KNOT, Gga, Rmc, parse_sentence
from dutylog.errors import FrameError


def test_a_knot_is_1852_metres_an_hour():
    assert MPS_PER_KNOT == 1852 / 3600
    sentence = parse_sentence(b"GPRMC,000000.00,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W")
    assert sentence.speed_mps == 22.4 * (1852 / 3600)


def test_degrees_and_minutes_become_degrees():
    """48 deg 07.038 min = 48 + 7.038 / 60; 1e-9 deg is 0.1 mm, the library rounds to 1e-10."""
    sentence = parse_sentence(b"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W")
    assert sentence.position_deg == pytest.approx((48 + 7.038 / 60, 11 + 31 / 60), abs=1e-9)
    assert sentence == Rmc(45_319.0, True, "", sentence.position_deg, sentence.speed_mps, date(1994, 3, 23))


def test_south_and_west_are_negative():
    sentence = parse_sentence(b"GNRMC,123519.50,A,3352.0600,S,15112.5000,W,0.0,,010726,,,A,V")
    assert sentence.position_deg == pytest.approx((-(33 + 52.06 / 60), -(151 + 12.5 / 60)), abs=1e-9)
    assert sentence.tod_s == 45_319.5


def test_gga_says_quality_satellites_and_dilution():
    sentence = parse_sentence(b"GNGGA,123519.00,4807.0380,N,01131.0000,E,2,12,0.87,545.4,M,46.9,M,,0000")
    assert isinstance(sentence, Gga)
    assert (sentence.tod_s, sentence.quality, sentence.satellites, sentence.hdop) == (45_319.0, 2, 12, 0.87)


def test_empty_fields_are_none_and_never_zero():
    """No fix, no speed: an empty field that became 0 would be a standing vehicle."""
    assert parse_sentence(b"GNRMC,,V,,,,,,,,,,N") == Rmc(None, False, "N", None, None, None)
    assert parse_sentence(b"GNGGA,,,,,,0,00,99.99,,,,,,") == Gga(None, 0, None, 0, 99.99)


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "GQ", "BD", "IN", "II"])
def test_any_talker_is_read(talker):
    assert isinstance(parse_sentence(f"{talker}RMC,123519,V,,,,,,,,,".encode()), Rmc)


@pytest.mark.parametrize(
    "body",
    [
        b"GPGSV,3,3,12,2,40,16,00,090,",
        b"PGRMC,A,123519,V,,,,,,,,,",
        b"PXRMC,123519,V,,,,,,,,,",
        b"GPVTG,000.0,T,357.0,M,000.1,N,0000.1,K,A",
        b"GPTXT,01,01,02,RMC",
        b"",
        b",,,,",
    ],
)
def test_other_kinds_and_makers_own_sentences_are_not_read(body):
    """One maker's own sentence ends in RMC and says something quite different."""
    assert parse_sentence(body) is None


@pytest.mark.parametrize(
    "body",
    [
        b"GPRMC,000344.03,A,4808.9992,N,4,02.3",
        b"GPRMC,123519,A,4867.038,N,01131.000,E,0,0,230394,,",
        b"GPRMC,123519,A,480.038,N,01131.000,E,0,0,230394,,",
        b"GPRMC,123519,A,4807.038,N,001131.000,E,0,0,230394,,",
        b"GPRMC,12351,A,4807.038,N,01131.000,E,0,0,230394,,",
        b"GPRMC,123519,A,4807.038,N,01131.000,E,-1,0,230394,,",
        b"GPRMC,123519,A,4807.038,N,01131.000,E,nan,0,230394,,",
        b"GPRMC,123519,A,4807.038,N,01131.000,E,1e3,0,230394,,",
        b"GPRMC,123519,A,4807.038,N,01131.000,E,1_0,0,230394,,",
        b"GPRMC,123519,B,4807.038,N,01131.000,E,0,0,230394,,",
        b"GPRMC,123519,A,4807.038,E,01131.000,N,0,0,230394,,",
        b"GPRMC,123519,A,4807.038,N,01131.000,E,0,0,230394,,,A,V,X",
        b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M",
        b"GPGGA,235952.00,0000.0000,N,00000.0000,E,0,00,0.0,,M,,M,,00.0000,N,00000.0000,E,0,00,0.0,,M,,M,,",
        b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,5-4.5,M,46.9,M,,",
    ],
)
def test_odd_fields_are_refused(body):
    """A splice may pass a checksum of eight bits; fields of the wrong width or number give it away."""
    with pytest.raises(FrameError, match="GPS sentence"):
        parse_sentence(body)


@pytest.mark.parametrize("time", ["246060.00", "235960.00", "126000"])
def test_a_time_that_is_none_is_none(time):
    """A leap second's 60 among them: that second has no row."""
    assert parse_sentence(f"GPRMC,{time},A,4807.038,N,01131.000,E,0,0,230394,,".encode()).tod_s is None


def test_a_position_off_the_globe_is_none():
    assert parse_sentence(b"GPRMC,123519,A,9107.038,N,01131.000,E,0,0,230394,,").position_deg is None
    assert parse_sentence(b"GPRMC,123519,A,4807.038,N,18131.000,E,0,0,230394,,").position_deg is None
    assert parse_sentence(b"GPRMC,123519,A,4807.038,,01131.000,E,0,0,230394,,").position_deg is None


def test_a_date_that_is_none_is_none():
    assert parse_sentence(b"GPRMC,123519,A,4807.038,N,01131.000,E,0,0,320126,,").date is None


FIELDS = st.one_of(
    st.sampled_from(["", "A", "V", "N", "E", "123519.00", "4807.0380", "01131.0000", "0.0", "12", "010726", "-1", "M"]),
    st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters="$"), max_size=12),
)


@settings(deadline=None)
@given(st.sampled_from(["GPRMC", "GNGGA", "00RMC", "ZZGGA", "A.RMC"]), st.lists(FIELDS, max_size=17))
def test_any_fields_are_read_or_refused(address, fields):
    """Nothing but FrameError leaves the parser, whatever passed a checksum."""
    try:
        sentence = parse_sentence(",".join([address, *fields]).encode())
    except FrameError:
        return
    assert sentence is None or isinstance(sentence, Rmc | Gga)


@settings(deadline=None)
@given(st.binary(max_size=80), st.sampled_from([b"GPRMC,", b"GPGGA,", b""]))
def test_any_bytes_are_read_or_refused(data, start):
    try:
        sentence = parse_sentence(start + data)
    except FrameError:
        return
    assert sentence is None or isinstance(sentence, Rmc | Gga)


@settings(deadline=None)
@given(st.integers(8, 60), st.integers(8, 60))
def test_two_sentences_spliced_are_refused_or_have_whole_fields(head, tail):
    """As if the checksum were right by chance: what gets through must at least be built like an RMC."""
    first, second = (piece[1 : piece.index(b"*")] for piece in drive(2))
    body = first[:head] + second[-tail:]
    try:
        sentence = parse_sentence(body)
    except FrameError:
        return
    fields = body.split(b",")
    assert isinstance(sentence, Rmc)
    assert len(fields) in (12, 13, 14)
    if sentence.position_deg is not None:
        assert len(fields[3].partition(b".")[0]) == 4
        assert len(fields[5].partition(b".")[0]) == 5
