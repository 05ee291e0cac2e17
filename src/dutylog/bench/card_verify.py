"""Whether a card may be believed: its evidence in itself, and against what is known of vehicle and damper.

Pure: what is known comes in as `Seen`. Codes and what they mean: shared/DUTY_CARD.md.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from dutylog.bench.card_evidence import TEXT_LIMIT, check_evidence, name_fallen
from dutylog.bench.card_read import Card
from dutylog.bench.keys import key_words
from dutylog.errors import one_line

KEY_CHANGED, HISTORY_DIFFERS, ROLLED_BACK, OTHER_LEDGER = (
    "key_changed",
    "history_differs",
    "rolled_back",
    "other_ledger",
)
ACCEPTABLE = frozenset({KEY_CHANGED, HISTORY_DIFFERS, ROLLED_BACK, OTHER_LEDGER})
"""What a manager may accept, with a reason, who has heard of its cause from the vehicle's owner."""
OLDER, ENTRY_MISSING = "older", "entry_missing"
FIRST_SIGHT, CLOCK_UNSET, KNOWN = "first_sight", "clock_unset", "known"


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known before a card comes: of its vehicle (by ledger_id) and of its damper (by unit_id).

    ledger: hashes of the vehicle's chain from row 1, hex, the longest accepted. keys: public keys trusted for it, by
    key_id; withdrawn: those that were and aren't any more. sequence, digest, revision, totals: of the damper's newest
    card, 0 and empty before the first. entry_rows: rows of the entries on that card. head_row, head_hash: of the
    vehicle's chain on that card, 0 and None before the first. other_ledger: the damper is known with another
    vehicle's ledger.
    """

    ledger: tuple[str, ...] = ()
    keys: Mapping[str, str] = field(default_factory=dict)
    sequence: int = 0
    digest: str | None = None
    revision: int = 0
    totals: Mapping[str, int | None] = field(default_factory=dict)
    other_ledger: bool = False
    entry_rows: frozenset[int] = frozenset()
    head_row: int = 0
    head_hash: str | None = None
    withdrawn: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_left_behind(self) -> bool:
        """Return whether the newest card's history was given up since: another one of the vehicle was accepted."""
        if self.head_hash is None:
            return False
        return self.head_row > len(self.ledger) or self.ledger[self.head_row - 1] != self.head_hash


@dataclass(frozen=True, slots=True)
class CardFinding:
    """One thing that is to be said of a card. is_refusal: it is not taken in because of it. text: one line."""

    code: str
    is_refusal: bool
    text: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a card is taken in. is_known: the very same card was taken in before; nothing is to be done."""

    is_accepted: bool
    is_known: bool
    findings: tuple[CardFinding, ...]

    @property
    def refusals(self) -> tuple[CardFinding, ...]:
        """Return why it is refused, the weightiest first; empty when it is accepted."""
        return tuple(one for one in self.findings if one.is_refusal)

    @property
    def notices(self) -> tuple[CardFinding, ...]:
        """Return what must be read with an accepted card."""
        return tuple(one for one in self.findings if not one.is_refusal)

    @property
    def acceptable(self) -> frozenset[str]:
        """Return the codes that a manager would have to accept; empty when there is no way."""
        codes = frozenset(one.code for one in self.refusals)
        return codes if codes <= ACCEPTABLE else frozenset()


def verify(card: Card, seen: Seen, accept: frozenset[str] = frozenset()) -> Verdict:
    """Return whether a card is taken in, and everything that is to be said of it.

    Args:
        card: as `card_read.read_card` gives it, so its form and signature are right.
        seen: what is known of its vehicle and damper.
        accept: codes of ACCEPTABLE that a manager has accepted for this card; others have no effect.
    """
    return judge_evidence(card) or judge_against(card, seen, accept)


def judge_evidence(card: Card) -> Verdict | None:
    """Return the refusal of a card whose evidence doesn't hold in itself, None where it does.

    Needs nothing that is known, so nobody has to wait meanwhile.
    """
    broken = check_evidence(card)
    return None if broken is None else Verdict(False, False, (CardFinding(broken.code, True, broken.text),))


def judge_against(card: Card, seen: Seen, accept: frozenset[str] = frozenset()) -> Verdict:
    """Return what `verify` does of a card whose evidence was found to hold."""
    keys = tuple(_look_at_key(card, seen))
    if seen.digest == card.digest and not any(one.is_refusal for one in keys):
        text = f"card {card.sequence} of damper {card.label} was taken in before; nothing is to be done"
        return Verdict(True, True, (_finding(KNOWN, False, text),))
    found = [*keys, *_look_at_ledger(card, seen), *_look_at_number(card, seen), *_look_at_clock(card)]
    judged = [_accept(one, accept) for one in found]
    judged.sort(key=lambda one: not one.is_refusal)
    return Verdict(not any(one.is_refusal for one in judged), False, tuple(judged))


def _look_at_key(card: Card, seen: Seen) -> Iterator[CardFinding]:
    if seen.keys.get(card.key_id) == card.public_key:
        return
    was_withdrawn = seen.withdrawn.get(card.key_id) == card.public_key
    if was_withdrawn and is_begin(card, seen):
        # Its last entry stands in the known chain, with key and digest of the card: it was issued before the change.
        return
    words = key_words(card.key_id)
    if not seen.keys and not seen.ledger:
        text = (
            f"first card of this vehicle here: key {words} is trusted from now on; compare it with the words on the "
            "vehicle's card page"
        )
        yield _finding(FIRST_SIGHT, False, text)
        return
    if was_withdrawn:
        text = (
            f"signed by key {words}, which was withdrawn here, by a manager or as another one was accepted; whoever "
            "still has it signs in the vehicle's name: ask its owner, and compare the words"
        )
        yield _finding(KEY_CHANGED, True, text)
        return
    known = ", ".join(key_words(key_id) for key_id in seen.keys) or "none"
    text = (
        f"signed by key {words}, which isn't one known of this vehicle (known: {known}); ask its owner whether the "
        "vehicle's key was made anew, and compare the words"
    )
    yield _finding(KEY_CHANGED, True, text)


def _look_at_ledger(card: Card, seen: Seen) -> Iterator[CardFinding]:
    """Say where the vehicle's history isn't the one known here."""
    if seen.other_ledger:
        text = (
            f"damper {card.label} is known here from another vehicle's ledger; its history begins anew on this card. "
            "Ask the owner whether it was moved, or the ledger lost"
        )
        yield _finding(OTHER_LEDGER, True, text)
    row = find_parting(card, seen)
    if row is None:
        return
    if card.sequence <= seen.sequence or card.head_row <= len(seen.ledger):
        text = (
            f"the vehicle's history was rolled back: from entry {row} on it isn't the one known here, which goes to "
            f"entry {len(seen.ledger)}. A backup of the ledger was put back, or entries were taken out; ask the owner"
        )
        yield _finding(ROLLED_BACK, True, text)
    else:
        text = (
            f"the vehicle's history differs from the one known here from entry {row} on, of {len(seen.ledger)} known: "
            "entries were edited, or a backup of the ledger was put back; ask the owner"
        )
        yield _finding(HISTORY_DIFFERS, True, text)


def _look_at_number(card: Card, seen: Seen) -> Iterator[CardFinding]:
    """Say where a card is behind the damper's newest one; where histories part, its number means nothing."""
    if seen.is_left_behind:
        text = (
            f"card {seen.sequence} of damper {card.label}, the newest taken in, isn't part of the vehicle's history "
            "any more: that was rolled back since. Nobody can tell whether this card is newer; ask the owner"
        )
        yield _finding(ROLLED_BACK, True, text)
        yield from _look_at_totals(card, seen)
        return
    parts_at = find_parting(card, seen)
    if parts_at is None and 0 < card.sequence <= seen.sequence:
        newest = f"the newest taken in is {seen.sequence}"
        what = "older" if card.sequence < seen.sequence else "the same number with other evidence"
        yield _finding(
            OLDER, True, f"card {card.sequence} of damper {card.label} is {what}: {newest}; ask for a new one"
        )
    rows = {entry["row"] for entry in card.body["evidence"]["entries"]}
    shared = min(len(seen.ledger), card.head_row) if parts_at is None else parts_at - 1
    missing = sorted(row for row in seen.entry_rows if row <= shared and row not in rows)
    if missing:
        text = (
            f"entry {missing[0]} of damper {card.label}, which an earlier card had, is missing on this one; it was cut"
        )
        yield _finding(ENTRY_MISSING, True, text)
    if card.sequence > seen.sequence or parts_at is not None:
        yield from _look_at_totals(card, seen)


def _look_at_totals(card: Card, seen: Seen) -> Iterator[CardFinding]:
    totals = card.body["totals"]
    if card.revision < seen.revision:
        what = f"its revision {card.revision} is below {seen.revision}"
    else:
        what = "" if card.revision > seen.revision else name_fallen(totals, seen.totals)
    if what:
        text = f"the damper's life got shorter since card {seen.sequence}: {what}; a backup was put back, ask the owner"
        yield _finding(ROLLED_BACK, True, text)


def _look_at_clock(card: Card) -> Iterator[CardFinding]:
    issued = card.body["issued"]
    if not issued["utc_trusted"]:
        yield _finding(
            CLOCK_UNSET,
            False,
            f"the vehicle's clock wasn't vouched for: it says {issued['utc']}; its days may be wrong",
        )


def find_parting(card: Card, seen: Seen) -> int | None:
    """Return the first row at which the card's chain isn't the known one; None where one is the other's begin."""
    for row, (theirs, ours) in enumerate(zip(card.body["evidence"]["chain"], seen.ledger, strict=False), start=1):
        if theirs != ours:
            return row
    return None


def is_begin(card: Card, seen: Seen) -> bool:
    """Return whether the whole history on a card is known: it was issued before the newest card of its vehicle."""
    return card.head_row <= len(seen.ledger) and find_parting(card, seen) is None


def _finding(code: str, is_refusal: bool, text: str) -> CardFinding:
    # The damper's name comes from the card: signs that no page should show are left out.
    return CardFinding(code, is_refusal, one_line(text, TEXT_LIMIT))


def _accept(one: CardFinding, accept: frozenset[str]) -> CardFinding:
    if one.is_refusal and one.code in accept & ACCEPTABLE:
        return CardFinding(one.code, False, f"accepted by a manager: {one.text}")
    return one
