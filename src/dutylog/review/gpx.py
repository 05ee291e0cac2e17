"""A trip's track as GPX 1.1: a point for each second with a place, in segments between gaps, and the hits as waypoints.

Source: GPX 1.1 schema, http://www.topografix.com/GPX/1/1/gpx.xsd: order of elements, ranges of coordinates.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from dutylog import __version__
from dutylog.domain.quantity import position_text
from dutylog.errors import InputError
from dutylog.review.report_words import CONTACT_WORDS, clean_text
from dutylog.review.trip_data import Contact, Mask, TripData

NAMESPACE = "http://www.topografix.com/GPX/1/1"
GAP_S = 10.0
"""Without a place for longer, the track begins anew: a straight line over it would be invented. Judgement."""


def make_gpx(data: TripData, name: str | None) -> str:
    """Return the track with time where somebody vouched for the clock.

    Args:
        data: of the trip.
        name: what people call it, None where they don't.
    Raises:
        InputError: the trip has no place at all.
    """
    has_place = find_places(data)
    if not has_place.any():
        raise InputError(f"trip {data.key}: nobody knows where it was (no GPS), so there is no track to write")
    return "\n".join(_lines(data, name, has_place)) + "\n"


def has_times(data: TripData) -> bool:
    """Return whether points get a time: wall time is known and somebody vouched for it."""
    return data.start_utc_s is not None and data.utc_trusted and _time(data.start_utc_s) is not None


def find_places(data: TripData) -> Mask:
    """Return (n,) which rows have a place on earth."""
    latitude, longitude = data.latitude_deg, data.longitude_deg
    with np.errstate(invalid="ignore"):
        return np.asarray((np.abs(latitude) <= 90.0) & (np.abs(longitude) <= 180.0), dtype=np.bool_)


def _lines(data: TripData, name: str | None, has_place: Mask) -> Iterator[str]:
    title = f"trip {data.key}" + (f": {clean_text(name, 80)}" if name else "")
    yield '<?xml version="1.0" encoding="UTF-8"?>'
    yield f'<gpx version="1.1" creator={quoteattr(f"dutylog {__version__}")} xmlns="{NAMESPACE}">'
    start = _time_element(data, 0.0)
    yield f"<metadata><name>{escape(title)}</name>{start}</metadata>"
    for hit in data.contacts:
        if hit.latitude_deg is not None and hit.longitude_deg is not None:
            yield _waypoint(data, hit, hit.latitude_deg, hit.longitude_deg)
    yield f"<trk><name>{escape(title)}</name><src>GPS, a point a second</src><trkseg>"
    before_s = None
    for row in np.flatnonzero(has_place):
        at_s = float(data.t_s[row])
        if before_s is not None and at_s - before_s > GAP_S:
            yield "</trkseg><trkseg>"
        place = _place(float(data.latitude_deg[row]), float(data.longitude_deg[row]))
        yield f"<trkpt {place}>{_time_element(data, at_s)}</trkpt>"
        before_s = at_s
    yield "</trkseg></trk>"
    yield "</gpx>"


def _waypoint(data: TripData, hit: Contact, latitude_deg: float, longitude_deg: float) -> str:
    words = f"{position_text(hit.position)} {CONTACT_WORDS[hit.kind]}"
    return (
        f"<wpt {_place(latitude_deg, longitude_deg)}>{_time_element(data, hit.t_s)}<name>{escape(words)}</name>"
        f"<desc>shaft speed {hit.speed_mps:.2f} m/s</desc><type>{escape(hit.kind)}</type></wpt>"
    )


def _place(latitude_deg: float, longitude_deg: float) -> str:
    # The schema has longitudes from -180 to below 180.
    east = -180.0 if round(longitude_deg, 7) >= 180.0 else longitude_deg
    return f'lat="{latitude_deg:.7f}" lon="{east:.7f}"'


def _time_element(data: TripData, at_s: float) -> str:
    if not has_times(data) or data.start_utc_s is None:
        return ""
    moment = _time(data.start_utc_s + at_s)
    return "" if moment is None else f"<time>{moment}</time>"


def _time(utc_s: float) -> str | None:
    if not math.isfinite(utc_s):
        return None
    try:
        moment = datetime.fromtimestamp(round(utc_s, 3), UTC)
    except (OverflowError, ValueError, OSError):
        return None
    return moment.strftime("%Y-%m-%dT%H:%M:%S") + f".{moment.microsecond // 1000:03d}Z"
