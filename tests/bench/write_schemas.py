"""Write both `*.schema.json` in shared/ anew: python -m tests.bench.write_schemas."""

from __future__ import annotations

import json
from pathlib import Path

from dutylog.bench.card_schema import card_json_schema
from dutylog.bench.record_schema import record_json_schema

SHARED = Path(__file__).parents[2] / "shared"

if __name__ == "__main__":
    for name, made in (("duty_card", card_json_schema()), ("service_record", record_json_schema())):
        text = json.dumps(made, indent=1, ensure_ascii=True) + "\n"
        (SHARED / f"{name}.schema.json").write_text(text, encoding="utf-8")
