"""Fields of a service record, version by version; shared/service_record.schema.json is made of this."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dutylog.bench.canonical import RECORD
from dutylog.bench.card_schema import PROFILE_FORM, SIGNATURE_FORM
from dutylog.bench.findings import GRADE_WORDS
from dutylog.bench.form import (
    LINES,
    Anything,
    Day,
    Fields,
    Form,
    Instant,
    Maybe,
    Number,
    Rows,
    Table,
    Text,
    Whole,
    Word,
    hex_text,
)
from dutylog.domain.wear import GRADES, PARTS

NEWEST = 1
_NAME, _NOTE = Text(200), Text(65_536, pattern=LINES)
_CURVE = Fields({"speeds_mps": Rows(Number(), 500, 2), "forces_n": Rows(Number(), 500, 2)})
_CELSIUS = Number(-273.15, 2000.0)
_RECORD_1 = Fields(
    {
        "kind": Word((RECORD.name,)),
        "schema": Word((1,)),
        "engine": Text(200),
        "bench": Fields({"bench_id": Text(64, 1), "name": Text(200, 1)}),
        "record": Fields(
            {
                "sequence": Whole(1),
                "job": Whole(1),
                "visit": hex_text(64),
                "day": Day(),
                "utc": Instant(),
                "previous": Maybe(hex_text(64)),
            }
        ),
        "damper": Fields({"unit_id": Maybe(Text(64, 1)), "serial": Maybe(_NAME), "tag": Maybe(_NAME)}),
        "vehicle": Maybe(Fields({"ledger_id": hex_text(64), "vehicle_id": Text(200, 1)})),
        "card": Maybe(Fields({"sequence": Whole(1), "digest": hex_text(64)})),
        "findings": Rows(
            Fields(
                {
                    "item": Text(64, 1),
                    "grade": Word(tuple(GRADE_WORDS)),
                    "measures": Table(Number(), 50),
                    "note": Maybe(_NOTE),
                    "by": _NAME,
                }
            ),
            500,
        ),
        "found": Table(Word(GRADES), len(PARTS)),
        "replaced": Rows(Word(PARTS), len(PARTS)),
        "gas": Maybe(
            Fields(
                {
                    "gauge_pa": Number(0.0),
                    "body_c": _CELSIUS,
                    "air_c": _CELSIUS,
                    "travel_mm": Number(0.0),
                    "altitude_m": Number(-1000.0, 10_000.0),
                }
            )
        ),
        "build": Table(Anything(), 200),
        "before_curve": Maybe(_CURVE),
        "after_curve": Maybe(_CURVE),
        "profile": Maybe(PROFILE_FORM),
        "by": _NAME,
        "checked_by": _NAME,
        "note": Maybe(_NOTE),
        "signature": SIGNATURE_FORM,
    }
)
RECORD_FORMS: Mapping[int, Form] = {1: _RECORD_1}
"""Every version of a record that there ever was."""


def record_json_schema(version: int = NEWEST) -> dict[str, Any]:
    """Return a version as JSON Schema (draft 2020-12), which shared/service_record.schema.json holds."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"dutylog service record, version {version}",
        "description": "What a bench found and did to one damper, signed by the bench. Meaning: SERVICE_RECORD.md.",
        **RECORD_FORMS[version].schema(),
    }
