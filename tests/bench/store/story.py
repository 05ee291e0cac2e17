"""A bench's life in small, with every kind of entry in it: what tests of the store share. Names are invented."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import select

from bench.store.store_on import DAMPER, MANAGER, TECHNICIAN
from dutylog.bench.store import Store
from dutylog.bench.store.tables import METADATA

Json = dict[str, Any]
JPEG_BYTES = b"\xff\xd8\xff\xe0" + bytes(range(200)) + b"\xff\xd9"
PNG_BYTES = b"\x89PNG\r\n\x1a\n" + bytes(300)
LEDGER_ID = "a1" * 32
UNIT_ID = "3f0c1b52-6d2e-4b7a-9c58-0d6d3f1a2b4c"


def card_body(sequence: int = 1, chain_rows: int = 3, **changes: Any) -> Json:
    """Return what the store needs of a card; a whole one is in tests of cards."""
    chain = [f"{row:064x}" for row in range(1, chain_rows + 1)]
    parts = [
        {"part": "oil", "used_share": 0.4 * sequence, "used_ratio": 0.5 * sequence},
        {"part": "charge", "used_share": 0.0, "used_ratio": None},
    ]
    services = [{"entry": 2, "day": "2026-03-03", "by": "Cy", "replaced": ["oil"], "found": {"oil": "worn"}}]
    return {
        "issued": {"sequence": sequence, "utc": "2026-11-30T09:00:00Z", "by": "Cy"},
        "revision": sequence,
        "totals": {"strokes_count": 10 * sequence, "top_outs_count": None},
        "parts": parts,
        "services": services,
        "evidence": {"head_row": chain_rows, "chain": chain, "entries": [{"row": 2, "kind": "service", "data": "{}"}]},
        **changes,
    }


def card_data(card: Json, **changes: Any) -> Json:
    """Return the fields of a `card_imported` of that card."""
    return {
        "ledger_id": LEDGER_ID,
        "unit_id": UNIT_ID,
        "sequence": card["issued"]["sequence"],
        "digest": f"{card['issued']['sequence']:064d}",
        "key_id": "0123456789abcdef",
        "head_row": card["evidence"]["head_row"],
        "notices": [],
        "accepted": [],
        "card": card,
        **changes,
    }


def record_body(day: str = "2026-11-30", **changes: Any) -> Json:
    """Return what the store needs of a service record."""
    found, replaced = {"oil": "worn", "shaft_seal": "usable"}, ["oil", "hose"]
    return {"record": {"day": day}, "found": found, "replaced": replaced, "by": "Bo", "note": None, **changes}


def tell_story(store: Store) -> int:
    """Append at least one entry of every kind and return the number of the job."""
    _tell_people(store)
    job_id = _tell_job(store)
    _tell_rest(store)
    return job_id


def _tell_people(store: Store) -> None:
    with store.write(MANAGER) as tx:
        bench = {"bench_id": "b-1", "name": "Bench", "key_id": "ab" * 8, "public_key": "cd" * 32}
        tx.append("bench_put", bench)
        tx.append("account_put", {"name": "Ada", "role": "manager", "code": {"salt": "00"}, "is_closed": False})
        tx.append("customer_put", {"customer_id": "c-1", "name": "Dela Żuk", "contact": "555 010"})
        vehicle = {"vehicle_key": "v-1", "label": "White truck", "customer_id": "c-1", "ledger_id": LEDGER_ID}
        tx.append("vehicle_put", {**vehicle, "vehicle_id": "truck", "radio_agreed_by": "Dela"})
        damper = {**DAMPER, "unit_id": UNIT_ID, "serial": "SN-1", "vehicle_key": "v-1", "position": "front_left"}
        tx.append("damper_put", {**damper, "profile_name": "desert", "profile": {"name": "desert"}}, "d-1")
        tx.append("damper_put", {**DAMPER, "tag": "B1"}, "d-2")
        tx.append("rules_put", {"version": 1, "text": "[[rule]]\n", "why": "ours"})
        part = {"part_no": "K-7", "name": "seal kit", "need": "seals", "lead_days": 14, "price_minor": 4550}
        tx.append("part_put", {**part, "least_count": 2, "is_gone": False})
        tx.append("stock_change", {"part_no": "K-7", "change": 5, "why": "delivered"})
        tx.append("signed_in", {"address": "127.0.0.1"})
        tx.append("sign_in_refused", {"address": "127.0.0.1", "name": "Eve"})
        tx.append("looked_at", {"what": "customer c-1"})


def _tell_job(store: Store) -> int:
    with store.write(TECHNICIAN) as tx:
        key = {"ledger_id": LEDGER_ID, "key_id": "0123456789abcdef", "public_key": "ef" * 32, "how": "first sight"}
        tx.append("key_trusted", key)
        tx.append("card_imported", card_data(card_body()), "d-1")
        rows = [
            {"part": "oil", "early": "2026-12-01", "likely": "2027-01-10", "late": None, "order_by": "2026-12-20"},
            {"part": "charge", "likely": "2027-05-01", "used_ratio": 0.25},
        ]
        tx.append("due_put", {"day": "2026-11-30", "basis": "card", "rows": rows}, "d-1")
        job_id = tx.append("job_opened", {"basis": "card", "digest": f"{1:064d}"}, "d-1").job_id
        photo = tx.put_photo(JPEG_BYTES, "image/jpeg")
        finding = {"item": "seal_head", "grade": "worn", "measures": {"runout_mm": 0.05}, "photos": [photo]}
        tx.append("finding", finding, job_id=job_id)
        tx.append("curve_put", _curve(), job_id=job_id)
        agreed = {"row": "outing", "judged_row": "watch", "reasons": [], "rules_version": 1}
        tx.append("triage_agreed", agreed, job_id=job_id)
        line = {"line_id": "l-1", "kind": "part", "part_no": "K-7", "text": "seal kit", "count": 1, "is_gone": False}
        tx.append("line_put", line, job_id=job_id)
        approved = {"by_customer": "Dela", "how": "by telephone", "lines_digest": "aa", "amount_minor": 4550}
        tx.append("approved", approved, job_id=job_id)
        tx.append("build", {"field": "oil_ml", "value": 410.5}, job_id=job_id)
        tx.append("signed", {"as": "builder"}, job_id=job_id)
        tx.append("record_made", {"sequence": 1, "digest": "b0" * 32, "record": record_body()}, job_id=job_id)
        tx.append("stage", {"stage": "handed_over"}, job_id=job_id)
    return int(job_id or 0)


def _curve() -> Json:
    return {"which": "before", "name": "run.csv", "speeds_mps": [-1.0, 1.0], "forces_n": [-900.0, 1200.0]}


def _tell_rest(store: Store) -> None:
    with store.write(TECHNICIAN) as tx:
        tx.append("card_refused", {"digest": None, "name": "x.card.json", "reasons": [{"code": "older"}]})
        tx.append("summary_seen", {"sequence": 2, "key_id": None, "summary": {"n": 2}}, "d-1")
        duty = {"vehicle_id": "truck", "unit_id": UNIT_ID, "revision": 1, "sequence": 9, "utc": "2026-11-30T08:00:00Z"}
        tx.append("radio_duty", {**duty, "totals": {"strokes_count": 12}}, "d-1")
        tx.append("job_opened", {"basis": "stated", "statement": {"miles": 900}}, "d-2")
        tx.append("customer_put", {"customer_id": "c-1", "name": "Dela Żuk", "contact": "555 020"})
        tx.append("damper_put", {**DAMPER, "serial": "SN-8"}, "d-8")
        tx.append("damper_joined", {"other_id": "d-8", "label": "SN-8", "why": "read wrongly"}, "d-2")


def dump(store: Store) -> dict[str, list[Any]]:
    """Return all rows of all tables, in order."""
    with store.connect_to_read() as connection:
        return {
            table.name: [
                tuple(bytes(value) if isinstance(value, memoryview) else value for value in row)
                for row in connection.execute(select(table).order_by(*table.primary_key.columns))
            ]
            for table in METADATA.sorted_tables
        }


def sqlite_url(folder: Path, name: str = "other.sqlite") -> str:
    """Return the address of an SQLite store in a folder."""
    return f"sqlite:///{folder / name}"
