"""JSON objects of the pages: each has `schema` and `engine`; unknown is null."""

from __future__ import annotations

import math
from dataclasses import asdict, is_dataclass
from typing import Any

from dutylog import ENGINE
from dutylog.web.feed import LiveFeed
from dutylog.web.urgency import by_urgency

SCHEMA = 1


def envelope(**fields: Any) -> dict[str, Any]:
    """Return an object of schema 1 with `fields`, dataclasses turned into objects."""
    return {"schema": SCHEMA, "engine": ENGINE, **{name: plain(value) for name, value in fields.items()}}


def plain(value: Any) -> Any:
    """Return `value` in JSON types; a number that isn't finite becomes None."""
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [plain(part) for part in value]
    return value


def live_object(feed: LiveFeed) -> dict[str, Any]:
    """Return what /api/live and every event carry.

    sent_mono_s lets a page notice that an event was long under way; it compares only differences.
    """
    newest = feed.newest
    return envelope(
        link=feed.link(),
        age_s=feed.age_s(),
        sent_mono_s=feed.mono_s(),
        snapshot=newest.snapshot if newest else None,
        urgent=[damper.position for damper in by_urgency(newest.snapshot)] if newest else [],
        notice=feed.notice or None,
        publish=None if feed.publish is None else feed.publish.told,
    )


def error_object(text: str) -> dict[str, Any]:
    """Return the JSON form of an error: one line in `error`."""
    return envelope(error=text)
