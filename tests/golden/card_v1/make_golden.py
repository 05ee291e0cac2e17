"""Writes the golden duty cards and the golden service record. Run only when a new version gets a folder of its own.

    PYTHONPATH=tests python tests/golden/card_v1/make_golden.py FOLDER

first and second are cards of SN-1 with a life told of: services, one of them withdrawn, a mark, gas, stated use, dirt
and a trip that wasn't driven; other is of SN-2, between them in the ledger; second.qr.txt is its QR code's text. Each
run makes other keys and ids, so it makes other files: what is here stays. Names are invented.
"""

from __future__ import annotations

import json
import sys
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from bench.card_made import Yard
from dutylog.bench.canonical import CARD, RECORD, digest_of, digest_of_body, encode_file, sign
from dutylog.bench.kept_card import kept_summary_path
from dutylog.bench.keys import make_private_key
from dutylog.bench.summary_make import summary_of
from dutylog.ledger.ledger import Ledger


def make_record(card: dict[str, Any]) -> dict[str, Any]:
    """Return a service record of a card's damper with everything a record can hold."""
    curve = {"speeds_mps": [-1.0, -0.1, 0.0, 0.1, 1.0], "forces_n": [-2400.0, -700.0, 0.0, 500.0, 1600.0]}
    profile = {**card["profile"], "name": "desert-2", "force": [{"travel_m": 0.0, **curve}]}
    record = {
        "kind": RECORD.name,
        "schema": 1,
        "engine": "1",
        "bench": {"bench_id": "0b6f3c1e-2a56-4f0c-9c1f-5d8a7e2b9f10", "name": "Hinterhof"},
        "record": {
            "sequence": 1,
            "job": 12,
            "visit": "7d" * 32,
            "day": "2026-11-10",
            "utc": "2026-11-10T15:30:00Z",
            "previous": None,
        },
        "damper": {name: card["damper"][name] for name in ("unit_id", "serial", "tag")},
        "vehicle": {name: card["vehicle"][name] for name in ("ledger_id", "vehicle_id")},
        "card": {"sequence": card["issued"]["sequence"], "digest": digest_of(CARD, card)},
        "findings": [
            {
                "item": "shaft_marks",
                "grade": "worn",
                "measures": {"depth_mm": 0.2},
                "note": "zwei\nRiefen",
                "by": "Tess",
            },
            {"item": "mounts", "grade": "not_looked", "measures": {}, "note": "stayed on the vehicle", "by": "Tess"},
        ],
        "found": {"shaft_seal": "worn", "oil": "failed"},
        "replaced": ["shaft_seal", "oil", "charge"],
        "gas": {"gauge_pa": 1380000.0, "body_c": 20.5, "air_c": 20.0, "travel_mm": 0.0, "altitude_m": 250.0},
        "build": {"oil_kind": "5W", "oil_volume_ml": 410.0, "shims": [{"diameter_mm": 20.0, "thickness_mm": 0.2}]},
        "before_curve": curve,
        "after_curve": curve,
        "profile": profile,
        "by": "Tess",
        "checked_by": "Mo",
        "note": None,
    }
    return sign(RECORD, record, make_private_key())


def tell(card: dict[str, Any]) -> dict[str, Any]:
    """Return what a card must be read as."""
    return {
        "schema": card["schema"],
        "sequence": card["issued"]["sequence"],
        "label": card["damper"]["serial"],
        "head_row": card["evidence"]["head_row"],
        "digest": digest_of(CARD, card),
        "body_digest": digest_of_body(card),
        "key_id": card["signature"]["key_id"],
        "ledger_id": card["vehicle"]["ledger_id"],
    }


def write(target: Path) -> None:
    """Write all files into a folder."""
    expected = {}
    with TemporaryDirectory() as folder:
        yard = Yard(Path(folder) / "yard")
        made = {"first": yard.issue()}
        with Ledger.open(yard.folder / "ledger.sqlite") as ledger:
            yard.lived.ledger = ledger
            yard.tell("trip_not_driven", trip="2", why="transport", note=None)
            yard.lived.drive(date(2026, 8, 1), 30, bottom_outs_count=1)
        other = yard.issue("SN-2")
        made |= {"second": yard.issue("SN-1", by="Bo", day=date(2026, 11, 5)), "other": other}
        unit_id = made["second"]["damper"]["unit_id"]
        (target / "second.qr.txt").write_bytes(kept_summary_path(yard.folder, unit_id).read_bytes())
    for name, card in made.items():
        (target / f"{name}.card.json").write_bytes(encode_file(card))
        expected[f"{name}.card.json"] = tell(card)
    signature = made["second"]["signature"]
    keys = {name: signature[name] for name in ("key_id", "public_key")}
    expected["second.qr.txt"] = {**keys, "fields": summary_of(made["second"])}
    record = make_record(made["second"])
    (target / "first.service.json").write_bytes(encode_file(record))
    expected["first.service.json"] = {"digest": digest_of(RECORD, record), "key_id": record["signature"]["key_id"]}
    (target / "expected.json").write_text(json.dumps(expected, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write(Path(sys.argv[1]))
