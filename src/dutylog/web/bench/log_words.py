"""One line for each entry of the bench's chain, for the audit log: who did what, without anything secret."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.bench.store.chain import Entry

_MOST_SIGNS = 300
_WORDS: Mapping[str, str] = {
    "customer_put": "wrote down a customer",
    "vehicle_put": "wrote down a vehicle",
    "damper_put": "wrote down a damper",
    "damper_joined": "joined two dampers into one",
    "card_imported": "took in a duty card",
    "summary_seen": "read the code of a card",
    "card_refused": "was refused a card",
    "key_trusted": "trusted a vehicle's key",
    "due_put": "worked out when parts are due",
    "job_opened": "opened a job",
    "finding": "answered a point",
    "curve_put": "put a force curve",
    "triage_agreed": "agreed to the triage",
    "line_put": "changed a line of the order",
    "approved": "wrote down an approval",
    "stage": "moved the job on",
    "build": "filled in the build sheet",
    "signed": "signed",
    "record_made": "made a service record",
    "part_put": "wrote down a part",
    "stock_change": "changed the stock",
    "bench_put": "set up the bench",
    "rules_put": "changed the triage rules",
    "account_put": "changed an account",
    "radio_duty": "duty came by radio",
    "signed_in": "signed in",
    "sign_in_refused": "sign-in refused",
    "looked_at": "took a copy",
}
_SHOWN: Mapping[str, tuple[str, ...]] = {
    "customer_put": ("name",),
    "vehicle_put": ("label", "radio_agreed_by"),
    "damper_put": ("serial", "tag", "position"),
    "damper_joined": ("label", "other_id", "why"),
    "card_imported": ("unit_id", "sequence", "key_id", "accepted"),
    "summary_seen": ("sequence", "key_id"),
    "card_refused": ("name", "reasons"),
    "key_trusted": ("key_id", "how", "why"),
    "due_put": ("day", "basis"),
    "job_opened": ("basis", "note"),
    "finding": ("item", "grade", "note"),
    "curve_put": ("which", "name"),
    "triage_agreed": ("row", "judged_row", "why"),
    "line_put": ("kind", "text", "count", "price_minor", "is_gone"),
    "approved": ("by_customer", "how", "amount_minor", "currency"),
    "stage": ("stage", "note"),
    "build": ("field", "note"),
    "signed": ("as",),
    "record_made": ("sequence", "digest"),
    "part_put": ("part_no", "name", "is_gone"),
    "stock_change": ("part_no", "change", "why"),
    "bench_put": ("name", "key_id"),
    "rules_put": ("version", "why"),
    "account_put": ("name", "role", "is_closed"),
    "radio_duty": ("vehicle_id", "unit_id", "sequence"),
    "signed_in": ("address",),
    "sign_in_refused": ("address", "name", "count"),
    "looked_at": ("what",),
}
"""Fields of each kind that a line shows; a password, a card or a photo is in none of them."""


@dataclass(frozen=True, slots=True)
class LogLine:
    """An entry for people. details: 'field: value' pairs in one line."""

    row: int
    utc: str
    who: str
    role: str
    kind: str
    words: str
    details: str
    job_id: int | None
    damper_id: str | None


def say_entry(entry: Entry) -> LogLine:
    """Return an entry for people."""
    shown = _SHOWN.get(entry.kind, ())
    pairs = [f"{name.replace('_', ' ')}: {_text(entry.data[name])}" for name in shown if _is_told(entry.data, name)]
    words = _WORDS.get(entry.kind, entry.kind)
    details = "; ".join(pairs)[:_MOST_SIGNS]
    return LogLine(
        entry.row, entry.utc, entry.who, entry.role, entry.kind, words, details, entry.job_id, entry.damper_id
    )


def _is_told(data: Mapping[str, Any], name: str) -> bool:
    return data.get(name) not in (None, False, [], "")


def _text(value: object) -> str:
    if value is True:
        return "yes"
    if isinstance(value, list):
        return ", ".join(_text(one) for one in value)
    if isinstance(value, Mapping):
        return " ".join(str(one) for one in value.values())
    return str(value)
