"""Which keys of a vehicle are trusted once a card of it was accepted (shared/DUTY_CARD.md)."""

from __future__ import annotations

from collections.abc import Iterator

from dutylog.bench.card_read import Card
from dutylog.bench.card_verify import FIRST_SIGHT, KEY_CHANGED, Seen, Verdict, is_begin
from dutylog.bench.keys import key_words
from dutylog.bench.store.append import Transaction
from dutylog.bench.store.chain import Who
from dutylog.bench.store.queries_cards import WITHDRAWN
from dutylog.bench.store.store import Store
from dutylog.errors import InputError, one_line
from dutylog.ledger.names import check_text

AT_FIRST_SIGHT, ACCEPTED = "first sight", "accepted"
"""How a key came to be trusted."""
WHY_SIGNS = 200


def keep_key(tx: Transaction, card: Card, seen: Seen, verdict: Verdict, why: str) -> None:
    """Write down what an accepted card makes of its vehicle's keys.

    One key at a time: where a manager accepted another, those before it are withdrawn, for whoever has them could go
    on signing. A card issued before that change, of a key that was never seen, doesn't bring it back.

    Args:
        seen: what was known before. verdict: on this card, accepted. why: the manager's reason, '' without one.
    """
    for key_id, public_key, how in _judge(card, seen, verdict):
        data = {"ledger_id": card.ledger_id, "key_id": key_id, "public_key": public_key, "how": how}
        tx.append("key_trusted", {**data, "why": why.strip() or None})


def withdraw(store: Store, who: Who, ledger_id: str, key_id: str, why: str) -> str:
    """Trust a key of a vehicle no more, and return its words: its next card needs a manager.

    Raises:
        InputError: no reason, or no such key is trusted.
    """
    reason = check_text(why.strip(), "why a key is withdrawn", WHY_SIGNS)
    with store.write(who) as tx:
        keys = [one for one in tx.read.vehicle_keys(ledger_id) if one.key_id == key_id and one.how != WITHDRAWN]
        if not keys:
            raise InputError(f"key {one_line(key_id, 20)!r}: is not trusted of this vehicle; see the settings")
        data = {"ledger_id": ledger_id, "key_id": key_id, "public_key": keys[0].public_key, "how": WITHDRAWN}
        tx.append("key_trusted", {**data, "why": reason})
    return key_words(key_id)


def _judge(card: Card, seen: Seen, verdict: Verdict) -> Iterator[tuple[str, str, str]]:
    """Yield (key_id, public_key, how) of each key of which something changes."""
    codes = {one.code for one in verdict.notices}
    if KEY_CHANGED in codes and is_begin(card, seen):
        yield card.key_id, card.public_key, WITHDRAWN
    elif KEY_CHANGED in codes:
        yield from ((key_id, key, WITHDRAWN) for key_id, key in seen.keys.items() if key_id != card.key_id)
        yield card.key_id, card.public_key, ACCEPTED
    elif FIRST_SIGHT in codes:
        yield card.key_id, card.public_key, AT_FIRST_SIGHT
