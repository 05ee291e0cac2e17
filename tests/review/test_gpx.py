"""The track: read back by another library, checked by the schema's rules, without a time that nobody vouched for."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import gpxpy
import numpy as np
import pytest
from lxml import etree

from dutylog.errors import InputError
from dutylog.review.gpx import GAP_S, make_gpx
from review.made_trips import START_UTC_S, made_trip

SPACE = "{http://www.topografix.com/GPX/1/1}"
# Structure only, from the GPX 1.1 schema (http://www.topografix.com/GPX/1/1/gpx.xsd): what we may write, in its
# order and its ranges. Elements we never write are left out, so that one of them is found too.
SCHEMA = """<?xml version="1.0"?>
<xsd:schema xmlns:xsd="http://www.w3.org/2001/XMLSchema" xmlns="http://www.topografix.com/GPX/1/1"
            targetNamespace="http://www.topografix.com/GPX/1/1" elementFormDefault="qualified">
  <xsd:element name="gpx"><xsd:complexType>
    <xsd:sequence>
      <xsd:element name="metadata" minOccurs="0"><xsd:complexType><xsd:sequence>
        <xsd:element name="name" type="xsd:string" minOccurs="0"/>
        <xsd:element name="desc" type="xsd:string" minOccurs="0"/>
        <xsd:element name="time" type="xsd:dateTime" minOccurs="0"/>
      </xsd:sequence></xsd:complexType></xsd:element>
      <xsd:element name="wpt" type="point" minOccurs="0" maxOccurs="unbounded"/>
      <xsd:element name="trk" minOccurs="0" maxOccurs="unbounded"><xsd:complexType><xsd:sequence>
        <xsd:element name="name" type="xsd:string" minOccurs="0"/>
        <xsd:element name="cmt" type="xsd:string" minOccurs="0"/>
        <xsd:element name="desc" type="xsd:string" minOccurs="0"/>
        <xsd:element name="src" type="xsd:string" minOccurs="0"/>
        <xsd:element name="trkseg" minOccurs="0" maxOccurs="unbounded"><xsd:complexType><xsd:sequence>
          <xsd:element name="trkpt" type="point" minOccurs="0" maxOccurs="unbounded"/>
        </xsd:sequence></xsd:complexType></xsd:element>
      </xsd:sequence></xsd:complexType></xsd:element>
    </xsd:sequence>
    <xsd:attribute name="version" type="xsd:string" use="required" fixed="1.1"/>
    <xsd:attribute name="creator" type="xsd:string" use="required"/>
  </xsd:complexType></xsd:element>
  <xsd:complexType name="point">
    <xsd:sequence>
      <xsd:element name="ele" type="xsd:decimal" minOccurs="0"/>
      <xsd:element name="time" type="xsd:dateTime" minOccurs="0"/>
      <xsd:element name="name" type="xsd:string" minOccurs="0"/>
      <xsd:element name="cmt" type="xsd:string" minOccurs="0"/>
      <xsd:element name="desc" type="xsd:string" minOccurs="0"/>
      <xsd:element name="src" type="xsd:string" minOccurs="0"/>
      <xsd:element name="type" type="xsd:string" minOccurs="0"/>
    </xsd:sequence>
    <xsd:attribute name="lat" use="required"><xsd:simpleType><xsd:restriction base="xsd:decimal">
      <xsd:minInclusive value="-90.0"/><xsd:maxInclusive value="90.0"/>
    </xsd:restriction></xsd:simpleType></xsd:attribute>
    <xsd:attribute name="lon" use="required"><xsd:simpleType><xsd:restriction base="xsd:decimal">
      <xsd:minInclusive value="-180.0"/><xsd:maxExclusive value="180.0"/>
    </xsd:restriction></xsd:simpleType></xsd:attribute>
  </xsd:complexType>
</xsd:schema>"""
HOSTILE = "</name><script>x</script> & \" ' \x00\x1b\ufffe\ud800 ]]> " + "y" * 500


def check_schema(text: str) -> None:
    """Raise unless the text follows the rules above."""
    etree.XMLSchema(etree.fromstring(SCHEMA.encode())).assertValid(etree.fromstring(text.encode()))


def test_every_point_with_its_place_and_time():
    """Another library reads back what the trip holds."""
    data = made_trip(seconds=300)
    text = make_gpx(data, "Dry lake loop")
    check_schema(text)
    track = gpxpy.parse(text).tracks[0]
    assert track.name == "trip 7: Dry lake loop"
    points = [point for segment in track.segments for point in segment.points]
    assert len(points) == 300
    assert np.allclose([p.latitude for p in points], data.latitude_deg, rtol=0, atol=6e-8)
    assert np.allclose([p.longitude for p in points], data.longitude_deg, rtol=0, atol=6e-8)
    assert [p.time.timestamp() for p in points] == [START_UTC_S + at for at in data.t_s]
    assert points[0].time == datetime.fromtimestamp(START_UTC_S, UTC)


def test_hits_are_waypoints():
    """Where it hit the stops is what somebody drives back to look at."""
    data = made_trip(seconds=300)
    found = gpxpy.parse(make_gpx(data, None)).waypoints
    assert [(one.type, one.latitude) for one in found] == [
        (one.kind, pytest.approx(one.latitude_deg, abs=6e-8)) for one in data.contacts
    ]
    assert found[0].name == "front left bottomed"


@pytest.mark.parametrize("change", [{"start_utc_s": None}, {"utc_trusted": False}, {"start_utc_s": 1e18}])
def test_no_time_where_nobody_vouches_for_the_clock(change):
    """A wrong time would put photographs and other tracks in the wrong place, and nobody would see it."""
    text = make_gpx(replace(made_trip(seconds=60), **change), None)
    check_schema(text)
    assert "<time>" not in text


def test_a_gap_begins_a_new_segment():
    """A straight line over a gap would be invented; a short one is no gap."""
    data = made_trip(seconds=300)
    latitude = data.latitude_deg.copy()
    latitude[100 : 100 + int(GAP_S) + 1] = np.nan
    latitude[200 : 200 + int(GAP_S) - 1] = np.nan
    data = replace(data, latitude_deg=latitude)
    text = make_gpx(data, None)
    check_schema(text)
    segments = gpxpy.parse(text).tracks[0].segments
    assert [len(one.points) for one in segments] == [100, 300 - 100 - 11 - 9]


def test_places_that_are_none_are_left_out():
    """A receiver's nonsense must not make a file that others refuse; 180 degrees east is 180 degrees west."""
    data = made_trip(seconds=60)
    longitude, latitude = data.longitude_deg.copy(), data.latitude_deg.copy()
    longitude[:3] = 180.0, -180.0, 200.0
    latitude[3:6] = 91.0, np.inf, -90.0
    text = make_gpx(replace(data, longitude_deg=longitude, latitude_deg=latitude, contacts=()), None)
    check_schema(text)
    points = gpxpy.parse(text).tracks[0].segments[0].points
    assert len(points) == 57
    assert [point.longitude for point in points[:2]] == [-180.0, -180.0]


def test_hostile_name_stays_text():
    """A trip's name is typed by somebody; the file stays well-formed and the name stays a name."""
    text = make_gpx(made_trip(seconds=30), HOSTILE)
    check_schema(text)
    root = etree.fromstring(text.encode())
    assert root.find(f".//{SPACE}script") is None
    assert "<script>x</script> &" in root.find(f"{SPACE}trk/{SPACE}name").text


def test_without_a_place_there_is_no_track():
    """An empty file would look like a track."""
    with pytest.raises(InputError, match=r"trip 7: nobody knows where it was"):
        make_gpx(made_trip(seconds=30, with_gps=False), None)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text.replace('version="1.1"', 'version="1.0"'),
        lambda text: text.replace('lat="32.', 'lat="132.', 1),
        lambda text: text.replace("<trk>", "<trk><trkseg/>"),
    ],
)
def test_the_schema_can_refuse(spoil):
    """The checks above would pass on anything otherwise."""
    text = make_gpx(made_trip(seconds=30), None)
    check_schema(text)
    with pytest.raises(etree.DocumentInvalid):
        check_schema(spoil(text))
