"""Every kind of entry in the bench's chain, with its fields: the contract between store, pages and benches.

Corrections are new entries; nothing is ever changed or erased. Field tables for people: shared/BENCH.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

TEXT, LONG_TEXT, INTEGER, NUMBER, FLAG, OBJECT, LIST = (
    "text",
    "long text",
    "integer",
    "number",
    "flag",
    "object",
    "list",
)
TEXT_LIMIT, LONG_TEXT_LIMIT, DATA_LIMIT = 200, 65_536, 4_500_000
"""Characters of a text and of a long one; bytes of an entry's data, a whole card included."""


@dataclass(frozen=True, slots=True)
class Field:
    """What a field of an entry may be. is_needed: False: may be null or absent."""

    type: str
    is_needed: bool = True


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of entry. of: what it must belong to: '' nothing, 'damper', 'job' (and by it a damper)."""

    of: str
    fields: Mapping[str, Field]


_T, _L, _I, _N, _F, _O, _A = (Field(one) for one in (TEXT, LONG_TEXT, INTEGER, NUMBER, FLAG, OBJECT, LIST))
_T0, _L0, _I0, _N0, _F0, _O0, _A0 = (
    Field(one, False) for one in (TEXT, LONG_TEXT, INTEGER, NUMBER, FLAG, OBJECT, LIST)
)

KINDS: Mapping[str, Kind] = {
    # who and what there is; ids are UUIDs made by whoever appends
    "customer_put": Kind("", {"customer_id": _T, "name": _T, "contact": _T0, "note": _L0}),
    "vehicle_put": Kind(
        "",
        {
            "vehicle_key": _T,
            "label": _T,
            "customer_id": _T0,
            "ledger_id": _T0,
            "vehicle_id": _T0,
            # the owner agreed to duty by radio: who said so; null: not agreed (any more)
            "radio_agreed_by": _T0,
            "note": _L0,
        },
    ),
    "damper_put": Kind(
        "damper",
        {
            "unit_id": _T0,
            "serial": _T0,
            "tag": _T0,
            "vehicle_key": _T0,
            "position": _T0,
            "construction": _T,
            "reservoir": _T,
            "joints": _T,
            "profile_name": _T0,
            "profile": _O0,
        },
    ),
    # two dampers of the store are one: all of the other one's history becomes this one's
    "damper_joined": Kind("damper", {"other_id": _T, "label": _T, "why": _T0}),
    # cards and keys
    "card_imported": Kind(
        "damper",
        {
            "ledger_id": _T,
            "unit_id": _T,
            "sequence": _I,
            "digest": _T,
            "key_id": _T,
            "head_row": _I,
            "notices": _A,
            "accepted": _A,
            "card": _O,
        },
    ),
    "summary_seen": Kind("damper", {"sequence": _I, "key_id": _T0, "summary": _O}),
    "card_refused": Kind("", {"digest": _T0, "name": _T0, "reasons": _A}),
    "key_trusted": Kind("", {"ledger_id": _T, "key_id": _T, "public_key": _T, "how": _T, "why": _T0}),
    "due_put": Kind("damper", {"day": _T, "basis": _T, "rows": _A}),
    # a damper's visit: job_id is a whole number given by the store at job_opened
    "job_opened": Kind("job", {"basis": _T, "digest": _T0, "statement": _O0, "note": _L0}),
    "finding": Kind("job", {"item": _T, "grade": _T, "measures": _O, "note": _L0, "photos": _A}),
    "curve_put": Kind(
        "job", {"which": _T, "name": _T, "speeds_mps": _A, "forces_n": _A, "body_c": _N0, "gauge_pa": _N0}
    ),
    # limit: of the row within: distance_m, weeks, until, null where there is none of that kind
    "triage_agreed": Kind(
        "job", {"row": _T, "judged_row": _T, "reasons": _A, "rules_version": _I, "why": _T0, "limit": _O0}
    ),
    "line_put": Kind(
        "job",
        {
            "line_id": _T,
            "kind": _T,  # part, labour, other
            "part_no": _T0,
            "need": _T0,  # key of bench.part_needs
            "text": _T,
            "count": _N,
            "unit": _T0,
            "price_minor": _I0,  # of one; null: no price kept
            "currency": _T0,  # of that price
            "is_gone": _F,
        },
    ),
    "approved": Kind(
        "job", {"by_customer": _T, "how": _T, "amount_minor": _I0, "currency": _T0, "lines_digest": _T, "note": _L0}
    ),
    "stage": Kind("job", {"stage": _T, "note": _L0}),
    "build": Kind("job", {"field": _T, "value": Field("any"), "note": _L0}),
    "signed": Kind("job", {"as": _T}),  # builder, checker: who is the entry's own `who`
    "record_made": Kind("job", {"sequence": _I, "digest": _T, "record": _O}),
    # parts
    "part_put": Kind(
        "",
        {
            "part_no": _T,
            "name": _T,
            "need": _T0,
            "profile_name": _T0,
            "lead_days": _I,
            "price_minor": _I0,
            "least_count": _I,
            "is_gone": _F,
        },
    ),
    "stock_change": Kind("", {"part_no": _T, "change": _I, "why": _T, "job": _I0}),
    # the bench itself
    "bench_put": Kind("", {"bench_id": _T, "name": _T, "key_id": _T, "public_key": _T}),
    "rules_put": Kind("", {"version": _I, "text": _L, "why": _T}),
    "account_put": Kind("", {"name": _T, "role": _T, "code": _O0, "is_closed": _F}),
    "radio_duty": Kind(
        "damper", {"vehicle_id": _T, "unit_id": _T, "revision": _I, "sequence": _I, "utc": _T, "totals": _O}
    ),
    # what people did besides: told for the audit log
    "signed_in": Kind("", {"address": _T}),
    "sign_in_refused": Kind("", {"address": _T, "name": _T0, "count": _I0}),
    "looked_at": Kind("", {"what": _T}),  # exports: a customer's record, a backup
}
