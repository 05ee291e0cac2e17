"""Whether the code of a card may be believed of the damper it names, by what is known of that already."""

from __future__ import annotations

from dutylog.bench.card_verify import OLDER, OTHER_LEDGER
from dutylog.bench.store.chain import Entry
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import CardRow
from dutylog.bench.summary_make import ID_SIGNS
from dutylog.bench.summary_read import Summary
from dutylog.errors import CardRefused


def check_summary(reading: Reading, summary: Summary) -> None:
    """Refuse a code that is another vehicle's, or older than a card or code that is here.

    The number of a code whose signature could be checked is held only against those that could be checked as well:
    whoever has no key must not be able to shut the genuine ones out.

    Raises:
        CardRefused: with one line that says what is here.
    """
    card = _newest_card(reading, summary.unit_id)
    # Since the newest card only: where another history was accepted, its cards count anew.
    after_row = 0 if card is None else card.row
    code = newest_code(reading, summary.unit_id, after_row, is_checked=bool(summary.key_id))
    ledgers = {one.data["summary"]["l"] for one in reading.summaries_of(summary.unit_id, after_row)}
    if card is not None:
        ledgers = {card.ledger_id[:ID_SIGNS]}
    if ledgers - {summary.ledger_start}:
        raise CardRefused(
            OTHER_LEDGER,
            f"duty summary: damper {summary.label} is known here from another vehicle's ledger; ask for its card",
        )
    if card is not None:
        _check_number(summary, card.sequence, card.digest[:ID_SIGNS], "card")
    if code is not None:
        _check_number(summary, code.data["sequence"], code.data["summary"]["h"], "code")


def newest_code(reading: Reading, unit_id: str, after_row: int, *, is_checked: bool = False) -> Entry | None:
    """Return the entry of the code of the highest number that was read of a damper, None where none was.

    Args:
        after_row: of those behind this entry. is_checked: of those whose signature could be checked.
    """
    found = reading.summaries_of(unit_id, after_row)
    asked = [one for one in found if one.data["key_id"] or not is_checked]
    return max(asked, key=lambda one: int(one.data["sequence"]), default=None)


def _newest_card(reading: Reading, unit_id: str) -> CardRow | None:
    damper = reading.find_damper(unit_id=unit_id)
    cards = () if damper is None else reading.cards_of(damper.damper_id)
    return next((one for one in cards if one.unit_id == unit_id), None)


def _check_number(summary: Summary, newest: int, digest_start: str, what: str) -> None:
    if summary.sequence < newest:
        raise CardRefused(
            OLDER,
            f"duty summary: of card {summary.sequence}, the newest {what} here is of {newest}; scan the code of the "
            "newest card",
        )
    if summary.sequence == newest and summary.digest_start != digest_start:
        raise CardRefused(
            OLDER,
            f"duty summary: of card {newest}, as the newest {what} here, but of another card of that number; ask for a "
            "new card",
        )
