"""Fields of a duty card, version by version (shared/DUTY_CARD.md); shared/duty_card.schema.json is made of this.

A version that was ever handed out stays here as it was: old cards are readable for ever.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dutylog.bench.canonical import ALGORITHM, CARD
from dutylog.bench.form import (
    Day,
    Fields,
    Flag,
    Instant,
    Maybe,
    Number,
    Rows,
    Table,
    Text,
    Tuple,
    Whole,
    Word,
    hex_text,
)
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS
from dutylog.domain.wear import DIRTS, GRADES, MARK_KINDS, MIXES, PARTS, USE_KINDS
from dutylog.duty.totals import TOTALS_COLUMNS
from dutylog.ledger.chain import DATA_LIMIT

NEWEST = 1
TRIPS_LIMIT, ALERTS_LIMIT = 50, 50
"""Newest trips and alerts on a card. Source: judgement."""
CHAIN_LIMIT, ENTRIES_LIMIT = 60_000, 20_000
CURVE_LIMIT = 2000
"""Points of a force curve: as many as a vehicle file may have (shared/CONFIG.md)."""
_NAME, _NOTE, _SENTENCE = Text(64), Text(500), Text(2000)
_POSITIVE, _CELSIUS = Number(0.0), Number(-273.15, 2000.0)
_UUID = Text(64, 1, r"^[A-Za-z0-9_.:-]{1,64}$")
_NS = Text(20, 1, r"^(0|-?[1-9][0-9]{0,18})$")
_COUNT = Whole()
_ABOVE_ZERO = Number(1e-9)
_CURVE_POINTS = Rows(Number(), CURVE_LIMIT, 2)

_PROFILE_SIZES = (
    "stroke_m",
    "shaft_diameter_m",
    "bore_diameter_m",
    "oil_mass_kg",
    "body_mass_kg",
    "heat_capacity_j_per_k",
)

SIGNATURE_FORM = Fields(
    {"algorithm": Word((ALGORITHM,)), "key_id": hex_text(16), "public_key": hex_text(64), "value": hex_text(128)}
)
PROFILE_FORM = Fields(
    {
        "name": Text(200, 1),
        **dict.fromkeys(_PROFILE_SIZES, _ABOVE_ZERO),
        "fade_per_k": _POSITIVE,
        "reference_c": _CELSIUS,
        "body_limit_c": _CELSIUS,
        "oil_limit_c": Maybe(_CELSIUS),
        "force": Rows(
            Fields({"travel_m": Number(), "speeds_mps": _CURVE_POINTS, "forces_n": _CURVE_POINTS}),
            100,
            1,
        ),
    },
    {
        "has_base_valve": Flag(),
        "charge_pa": _POSITIVE,
        "gas_volume_m3": _POSITIVE,
        "construction": Word(CONSTRUCTIONS),
        "reservoir": Word(RESERVOIRS),
        "joints": Word(JOINTS),
        "is_rebuildable": Flag(),
        "lead_days": _COUNT,
    },
)
TOTALS_FORM = Fields({name: Maybe(Whole(-300_000)) if name == "peak_body_mc" else Whole(0) for name in TOTALS_COLUMNS})
_PART = Fields(
    {
        "part": Word(PARTS),
        "name": _NAME,
        "since": Day(),
        "since_entry": Maybe(_COUNT),
        **{
            name: Number()
            for name in (
                "used_share",
                "used_sd",
                "measured_share",
                "missed_share",
                "stated_share",
                "marks_share",
            )
        },
        **dict.fromkeys(("budget", "budget_low", "budget_high"), _ABOVE_ZERO),
        "doses": Table(Number(), 50),
        "findings_count": _COUNT,
        "used_ratio": Number(),
        **{name: Maybe(Number()) for name in ("miles", "street_miles", "miles_early", "miles_likely", "miles_late")},
        **{name: Maybe(Day()) for name in ("calendar_day", "due_early", "due_likely", "due_late", "order_by")},
        "wear_first_ratio": Maybe(Number()),
        "text": _SENTENCE,
    }
)
_MARK = Fields(
    {
        "entry": Whole(1),
        "kind": Word(MARK_KINDS),
        "distance_mm": Number(),
        "size_mm": Number(),
        "is_sharp": Flag(),
        "passes_so_far": Maybe(_COUNT),
        **{name: Maybe(_POSITIVE) for name in ("passes_per_mile", "extra_sliding_m", "wear_factor")},
        "urgency": _NAME,
        "text": _SENTENCE,
        "advice": _SENTENCE,
    }
)
_TRIP = Fields(
    {
        "day": Maybe(Day()),
        "distance_m": Maybe(_POSITIVE),
        "moving_s": _POSITIVE,
        "energy_j": _POSITIVE,
        "bottom_outs_count": _COUNT,
        "top_outs_count": Maybe(_COUNT),
        "peak_body_c": Maybe(_CELSIUS),
        "dirt": Maybe(Word(DIRTS)),
        "washed": Maybe(Flag()),
    }
)
_GAS = Fields(
    {
        "day": Maybe(Day()),
        "what": Word(("check", "fill")),
        "gauge_pa": _POSITIVE,
        "body_c": _CELSIUS,
        "oil_c": Maybe(_CELSIUS),
        "air_c": _CELSIUS,
        "travel_mm": _POSITIVE,
        "altitude_m": Number(-1000.0, 10_000.0),
        "by": _NAME,
    }
)
_USE = Fields(
    {
        "entry": Whole(1),
        "distance_m": _POSITIVE,
        "mix": Word(MIXES),
        "kind": Word(USE_KINDS),
        "from_day": Maybe(Day()),
        "to_day": Maybe(Day()),
        "by": _NAME,
    }
)
_ALERT = Fields({"day": Maybe(Day()), "kind": _NAME, "level": _NAME, "text": _SENTENCE, "is_over": Flag()})
_SERVICE = Fields(
    {
        "entry": Whole(1),
        "day": Maybe(Day()),
        "by": _NAME,
        "replaced": Rows(Word(PARTS), len(PARTS)),
        "found": Table(Word(GRADES), len(PARTS)),
        "note": Maybe(_NOTE),
    }
)
_ENTRY = Fields(
    {
        "row": Whole(1),
        "revision": _COUNT,
        "sequence": Maybe(_COUNT),
        "utc_ns": _NS,
        "utc_trusted": Flag(),
        "mono_ns": _NS,
        "boot_id": Text(200),
        "kind": Text(64, 1),
        "unit_id": Maybe(_UUID),
        "data": Text(DATA_LIMIT, 2, is_free=True),
        "prev_hash": hex_text(64),
        "hash": hex_text(64),
    }
)
_CARD_1 = Fields(
    {
        "kind": Word((CARD.name,)),
        "schema": Word((1,)),
        "engine": Text(200),
        "issued": Fields({"sequence": Whole(1, ENTRIES_LIMIT), "utc": Instant(), "utc_trusted": Flag(), "by": _NAME}),
        "vehicle": Fields({"ledger_id": hex_text(64), "vehicle_id": Text(200, 1), "name": Text(200)}),
        "damper": Fields(
            {
                "unit_id": _UUID,
                "serial": Maybe(_NAME),
                "tag": Maybe(_NAME),
                "position": Maybe(Text(200)),
                "added_day": Maybe(Day()),
            }
        ),
        "profile": PROFILE_FORM,
        "settings": Rows(
            Fields(
                {
                    "position": Text(200),
                    "from_day": Day(),
                    "name": Text(200),
                    "compression_clicks": Maybe(Whole(-10_000, 10_000)),
                    "rebound_clicks": Maybe(Whole(-10_000, 10_000)),
                }
            ),
            2000,
        ),
        "installs": Rows(
            Fields(
                {
                    "position": Text(200),
                    "wheel": Text(200),
                    "from_day": Maybe(Day()),
                    "to_day": Maybe(Day()),
                }
            ),
            2000,
        ),
        "revision": Whole(1),
        "totals": TOTALS_FORM,
        "parts": Rows(_PART, len(PARTS)),
        "marks": Rows(_MARK, 2000),
        "heat": Fields(
            {
                "hot_seal_s": _POSITIVE,
                "hot_oil_s": _POSITIVE,
                "peak_body_c": Maybe(_CELSIUS),
                "body_histogram": Rows(Tuple((_CELSIUS, _CELSIUS, _POSITIVE)), 500),
            }
        ),
        "trips": Rows(_TRIP, TRIPS_LIMIT),
        "gas": Rows(_GAS, 5000),
        "alerts": Rows(_ALERT, ALERTS_LIMIT),
        "services": Rows(_SERVICE, 5000),
        "stated_use": Rows(_USE, 5000),
        "coverage": Fields({"moving_s": _POSITIVE, "moving_measured_s": _POSITIVE, "ratio": Maybe(Number(0.0, 1.0))}),
        "evidence": Fields(
            {
                "head_row": Whole(1, CHAIN_LIMIT),
                "chain": Rows(hex_text(64), CHAIN_LIMIT, 1),
                "entries": Rows(_ENTRY, ENTRIES_LIMIT, 1),
            }
        ),
        "signature": SIGNATURE_FORM,
    }
)
CARD_FORMS: Mapping[int, Fields] = {1: _CARD_1}
"""Every version of a card that there ever was."""


def card_json_schema(version: int = NEWEST) -> dict[str, Any]:
    """Return a version as JSON Schema (draft 2020-12), which shared/duty_card.schema.json holds."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"dutylog duty card, version {version}",
        "description": "What one damper has done, signed by its vehicle. Meaning and checks beyond form: DUTY_CARD.md.",
        **CARD_FORMS[version].schema(),
    }
