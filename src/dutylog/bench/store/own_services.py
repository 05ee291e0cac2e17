"""Services on a vehicle's card that this bench did itself: the vehicle took the record and tells of it again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, select

from dutylog.bench.store.tables import RECORD


def own_service_entries(connection: Connection, card: Mapping[str, Any]) -> frozenset[int]:
    """Return the vehicle's entries of services whose records were made here.

    Its entry `service_record` names the record's digest and the entry `service` it wrote (shared/LEDGER.md).
    """
    evidence = card.get("evidence")
    entries = evidence.get("entries") if isinstance(evidence, Mapping) else None
    taken: dict[str, int] = {}
    for one in entries if isinstance(entries, list) else ():
        if isinstance(one, Mapping) and one.get("kind") == "service_record":
            data = _load(one.get("data"))
            digest, service = data.get("digest"), data.get("service")
            if isinstance(digest, str) and isinstance(service, int):
                taken[digest] = service
    if not taken:
        return frozenset()
    # Every record ever made, for the vehicle may hold one that was corrected here since.
    ours = connection.execute(select(RECORD.c.digest).where(RECORD.c.digest.in_(list(taken))))
    return frozenset(taken[digest] for (digest,) in ours)


def _load(text: object) -> Mapping[str, Any]:
    """Return the data of a vehicle's entry, empty where it is no object."""
    try:
        data = json.loads(text) if isinstance(text, str) else text
    except ValueError:
        return {}
    return data if isinstance(data, Mapping) else {}
