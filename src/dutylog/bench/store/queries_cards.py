"""Questions about cards, keys and what of a vehicle's ledger was seen."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select

from dutylog.bench.card_verify import Seen
from dutylog.bench.store.asking import Asking, columns_of, load, load_object, named
from dutylog.bench.store.chain import Entry
from dutylog.bench.store.queries_bench import ENTRY_COLUMNS, make_read_entry
from dutylog.bench.store.rows import CardRow, RadioDuty, VehicleKey
from dutylog.bench.store.tables import CARD, DAMPER, ENTRY, LEDGER_SEEN, RADIO, VEHICLE_KEY

HASH_BYTES = 32
SUMMARIES_LIMIT = 50
"""Codes of a damper that are looked at (judgement): none is taken in that is older than the newest."""
WITHDRAWN = "withdrawn"
"""A key told so by `how` is trusted no more."""
_CARD = columns_of(CARD, CardRow)
_KEY = columns_of(VEHICLE_KEY, VehicleKey)
_RADIO = columns_of(RADIO, RadioDuty)


class CardQueries(Asking):
    """Cards, keys, duty by radio."""

    def card_seen(self, ledger_id: str, unit_id: str) -> Seen:
        """Return what is known of a vehicle and a damper of it, to hold the next card against."""
        chain = self._first(select(LEDGER_SEEN.c.chain).where(LEDGER_SEEN.c.ledger_id == ledger_id))
        hashes = b"" if chain is None else bytes(chain[0])
        newest = self._first(
            select(*_CARD)
            .where((CARD.c.unit_id == unit_id) & (CARD.c.ledger_id == ledger_id))
            .order_by(CARD.c.row.desc())
        )
        last = self._first(select(CARD.c.ledger_id).where(CARD.c.unit_id == unit_id).order_by(CARD.c.row.desc()))
        card = None if newest is None else make_card_row(newest)
        keys = self.vehicle_keys(ledger_id)
        return Seen(
            ledger=tuple(hashes[i : i + HASH_BYTES].hex() for i in range(0, len(hashes), HASH_BYTES)),
            keys={one.key_id: one.public_key for one in keys if one.how != WITHDRAWN},
            sequence=0 if card is None else card.sequence,
            digest=None if card is None else card.digest,
            revision=0 if card is None else card.revision,
            totals={} if card is None else card.totals,
            other_ledger=last is not None and last[0] != ledger_id,
            entry_rows=frozenset() if card is None else frozenset(card.entry_rows),
            head_row=0 if card is None else card.head_row,
            head_hash=None if card is None else card.head_hash,
            withdrawn={one.key_id: one.public_key for one in keys if one.how == WITHDRAWN},
        )

    def newest_card(self, damper_id: str) -> dict[str, Any] | None:
        """Return the whole card of a damper that was imported last, None where there is none."""
        row = select(CARD.c.row).where(CARD.c.damper_id == damper_id).order_by(CARD.c.row.desc()).limit(1)
        return self._card_body(row)

    def card_by_digest(self, digest: str) -> dict[str, Any] | None:
        """Return a whole card, None where there is none of that digest."""
        return self._card_body(select(CARD.c.row).where(CARD.c.digest == digest).order_by(CARD.c.row.desc()).limit(1))

    def card_of_job(self, card_row: int) -> dict[str, Any] | None:
        """Return the whole card that a job rests on (Job.card_row)."""
        return self._card_body(select(CARD.c.row).where(CARD.c.row == card_row))

    def cards_of(self, damper_id: str) -> tuple[CardRow, ...]:
        """Return the cards of a damper without their bodies, the newest first."""
        statement = select(*_CARD).where(CARD.c.damper_id == damper_id).order_by(CARD.c.row.desc())
        return tuple(make_card_row(one) for one in self._rows(statement))

    def newest_summary(self, damper_id: str) -> dict[str, Any] | None:
        """Return data of the newest `summary_seen` of a damper, None where there is none."""
        where = (ENTRY.c.damper_id == damper_id) & (ENTRY.c.kind == "summary_seen")
        row = self._first(select(ENTRY.c.data).where(where).order_by(ENTRY.c.row.desc()))
        return None if row is None else dict(load_object(row[0]))

    def summaries_of(self, unit_id: str, after_row: int = 0) -> tuple[Entry, ...]:
        """Return the newest entries `summary_seen` of a unit behind a row, the newest first; SUMMARIES_LIMIT."""
        mine = (ENTRY.c.kind == "summary_seen") & (ENTRY.c.row > after_row)
        carried = select(CARD.c.damper_id).where(CARD.c.unit_id == unit_id)
        of = select(DAMPER.c.damper_id).where((DAMPER.c.unit_id == unit_id) | DAMPER.c.damper_id.in_(carried))
        statement = select(*ENTRY_COLUMNS).where(mine & ENTRY.c.damper_id.in_(of)).order_by(ENTRY.c.row.desc())
        found = (make_read_entry(one) for one in self._page(statement, SUMMARIES_LIMIT))
        return tuple(one for one in found if one.data["summary"].get("u") == unit_id)

    def vehicle_keys(self, ledger_id: str | None = None) -> tuple[VehicleKey, ...]:
        """Return keys of one vehicle or of all, the newest first; those withdrawn too."""
        statement = select(*_KEY).order_by(VEHICLE_KEY.c.row.desc())
        if ledger_id is not None:
            statement = statement.where(VEHICLE_KEY.c.ledger_id == ledger_id)
        return tuple(VehicleKey(*one) for one in self._rows(statement))

    def trusted_keys(self, ledger_id_start: str) -> dict[str, str]:
        """Return public keys by key_id of vehicles whose ledger_id begins so: a summary holds 16 digits of it."""
        if len(ledger_id_start) < 16 or not set(ledger_id_start) <= set("0123456789abcdef"):
            return {}
        where = VEHICLE_KEY.c.ledger_id.like(f"{ledger_id_start}%") & (VEHICLE_KEY.c.how != WITHDRAWN)
        return {one.key_id: one.public_key for one in self._rows(select(*_KEY).where(where))}

    def radio(self, damper_id: str) -> RadioDuty | None:
        """Return the newest duty that came by radio, None where none did."""
        row = self._first(select(*_RADIO).where(RADIO.c.damper_id == damper_id))
        return None if row is None else RadioDuty(**{**named(_RADIO, row), "totals": load_object(row[-1])})

    def _card_body(self, row: Any) -> dict[str, Any] | None:
        found = self._first(select(ENTRY.c.data).where(ENTRY.c.row == row.scalar_subquery()))
        return None if found is None else dict(load(found[0])["card"])


def make_card_row(row: Any) -> CardRow:
    """Return a card of its columns."""
    values = named(_CARD, row)
    values["totals"] = load_object(values["totals"])
    values["entry_rows"] = tuple(load(values["entry_rows"]))
    return CardRow(**values)
