"""Invented trips as ledger and people tell of them, for tests of what is said."""

from dutylog.engine.output import TripDamper
from dutylog.ledger.trip_book import BookTrip, Span


def book_of(data, **changes):
    """Return the ledger's row of an invented trip, with its own sums."""
    seconds = data.end_s
    known = data.distance_m[~(data.distance_m != data.distance_m)]
    row = {
        "key": data.key,
        "numbers": (int(data.key.split(".")[0]),),
        "name": None,
        "spans": (Span(1, 0, round(seconds * 1e9)),),
        "is_open": False,
        "duration_ns": round(seconds * 1e9),
        "moving_us": int(data.dt_s[data.moving].sum() * 1e6),
        "distance_m": float(known[-1]) if len(known) else None,
        "dampers": tuple(TripDamper(one.unit_id, one.position, one.totals.copy()) for one in data.dampers),
        "start_utc_ns": None if data.start_utc_s is None else round(data.start_utc_s * 1e9),
        "end_utc_ns": None if data.start_utc_s is None else round((data.start_utc_s + seconds) * 1e9),
        "utc_trusted": data.utc_trusted,
        "not_driven": None,
    }
    return BookTrip(**(row | changes))
