"""Issuing a duty card: what it says, the entry that tells of it, the evidence, the signature (shared/DUTY_CARD.md).

The order matters: the entry comes first, by whoever writes the ledger, so a card that was ever handed out stands in
the chain. A kill behind that costs a number, never the truth.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from dutylog.bench.canonical import CARD, digest_of_body, encode_file, sign
from dutylog.bench.card_body import Body, body_of
from dutylog.bench.card_evidence import check_evidence
from dutylog.bench.card_key import settle_key
from dutylog.bench.card_read import check_body, read_card
from dutylog.bench.card_schema import CHAIN_LIMIT, ENTRIES_LIMIT
from dutylog.bench.kept_card import FILE_END, keep_card, label_of
from dutylog.bench.keys import SigningKey
from dutylog.bench.summary_make import make_summary
from dutylog.clock import read_kernel_clock
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import CardRefused, InputError, LedgerError, one_line
from dutylog.ledger.card_entries import CARD_ISSUED, CARD_KEY, head_row, last_key
from dutylog.ledger.card_rows import read_entries_of_unit, read_hashes
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Entry, Stamp, system_stamp

MOST_TRIES = 5
"""Somebody may tell the ledger something just while a card is made."""
QUERY_LIMIT_S = 30.0
Clock = Callable[[], Stamp]


def card_stamp() -> Stamp:
    """Return the present time; wall time is trusted where the kernel says that somebody set it."""
    return replace(system_stamp(), utc_trusted=read_kernel_clock().is_trusted())


def issue_card(
    data_dir: Path, unit: str, by: str, *, vehicle: Vehicle | None = None, stamp: Clock = card_stamp
) -> dict[str, Any]:
    """Return a new signed card of a damper, told of in the ledger, and keep it as the newest of that damper.

    Args:
        data_dir: the vehicle's data folder. unit: serial, tag or unit_id. by: who has it made.
        vehicle: the configuration a person named; stored first when no daemon runs. stamp: tells the time.
    Raises:
        LedgerError: no such damper, the ledger can't be read or written, or it changes all the time.
        InputError: its profile isn't in the vehicle file, or no bench would read the card: it is longer than they take,
            or says what they refuse.
        ConfigError: the key is lost, damaged or open to others.
    """
    data_dir = Path(data_dir)
    key = _settle(data_dir, stamp)
    for tries_left in reversed(range(MOST_TRIES)):
        with _reading(data_dir, stamp) as ledger:
            body = body_of(ledger, ledger.find_unit(unit), by)
        _refuse_body(body)
        try:
            row = _tell(data_dir, body, key, by, vehicle)
            break
        except LedgerError:
            with _reading(data_dir, stamp) as ledger:
                is_moved = head_row(ledger) != body.head_row
            if not (is_moved and tries_left):
                raise
    with _reading(data_dir, stamp) as ledger:
        content = body.content | {"evidence": _evidence(ledger, str(body.content["damper"]["unit_id"]), row)}
    card = sign(CARD, content, key.private_key)
    data = encode_file(card)
    if len(data) > CARD.limit_bytes:
        raise InputError(
            f"card {body.number} of damper {label_of(card)} has {len(data)} bytes, benches take {CARD.limit_bytes}; "
            "its ledger has told of too much for one file"
        )
    _refuse_unreadable(card, data)
    keep_card(data_dir, card, data, make_summary(card, key))
    return card


def check_new_file(path: Path) -> None:
    """Refuse a name that can't become a card's file, before anything is told to the ledger."""
    if not path.name.endswith(FILE_END):
        raise InputError(f"{path}: a duty card is a file NAME{FILE_END}; name one")
    if path.exists() or path.is_symlink():
        raise InputError(f"{path}: is there already; name a file that isn't")
    if not path.parent.is_dir():
        raise InputError(f"{path.parent}: no such folder; make it or name another")


def write_new_file(path: Path, data: bytes) -> None:
    """Write a file that must not be there yet, whole or not at all; InputError says why it can't."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_bytes(data)
        os.link(part, path)
    except FileExistsError as err:
        raise InputError(f"{path}: is there already; name a file that isn't") from err
    except OSError as err:
        raise InputError(f"{path}: can't be written ({err.strerror}); name another place") from err
    finally:
        part.unlink(missing_ok=True)


def _settle(data_dir: Path, stamp: Clock) -> SigningKey:
    with _reading(data_dir, stamp) as ledger:
        known = last_key(ledger)
    return settle_key(data_dir, stamp().utc_ns, known)


def _reading(data_dir: Path, stamp: Clock) -> Ledger:
    return Ledger.open(data_dir / LEDGER_NAME, read_only=True, stamp=stamp, query_limit_s=QUERY_LIMIT_S)


def _tell(data_dir: Path, body: Body, key: SigningKey, by: str, vehicle: Vehicle | None) -> int:
    """Have the ledger told of a card; return the row of its entry."""
    request = {
        "command": CARD_ISSUED,
        "unit": body.content["damper"]["unit_id"],
        "number": body.number,
        "head_row": body.head_row,
        "public_key": key.public_key,
        "body_digest": digest_of_body(body.content),
        "revision": body.revision,
        "totals": body.content["totals"],
        "by": by,
    }
    return int(run_command(data_dir, request, vehicle)["entry"])


def _refuse_body(body: Body) -> None:
    """Refuse what benches would refuse, before the ledger is told of it."""
    where = f"card {body.number} of damper {label_of(body.content)}"
    # Two more: the entry of the card itself, and before it that of a key.
    if body.head_row + 2 > CHAIN_LIMIT or body.number > ENTRIES_LIMIT:
        raise InputError(
            f"{where}: its ledger has {body.head_row} entries, benches take {CHAIN_LIMIT} and {ENTRIES_LIMIT} cards of "
            "a damper; it has told of too much for one file"
        )
    try:
        check_body(body.content)
    except CardRefused as err:
        raise InputError(
            f"{where}: no bench would read it ({one_line(err, 200)}); mend that and issue it again"
        ) from err


def _refuse_unreadable(card: Mapping[str, Any], data: bytes) -> None:
    """Refuse to hand out what a bench would not read, whatever the reason."""
    try:
        broken = check_evidence(read_card(data))
        why = "" if broken is None else broken.text
    except CardRefused as err:
        why = str(err)
    if why:
        number = card["issued"]["sequence"]
        raise LedgerError(
            f"card {number} of damper {label_of(card)}: no bench would take it ({one_line(why, 200)}); it isn't handed "
            "out. Check the ledger: dutylog ledger verify"
        )


def _evidence(ledger: Ledger, unit_id: str, row: int) -> dict[str, Any]:
    with ledger.reading():
        chain = [one.hex() for one in read_hashes(ledger, row)]
        keys = [one for one in ledger.entries_of(CARD_KEY) if one.row <= row]
        told = sorted([*read_entries_of_unit(ledger, unit_id, row), *keys], key=lambda one: one.row)
    return {"head_row": row, "chain": chain, "entries": [entry_to_dict(one) for one in told]}


def entry_to_dict(entry: Entry) -> dict[str, Any]:
    """Return an entry of the chain in full; times are text, for they may be beyond what JSON has exactly."""
    return {
        "row": entry.row,
        "revision": entry.revision,
        "sequence": entry.sequence,
        "utc_ns": str(entry.utc_ns),
        "utc_trusted": entry.utc_trusted,
        "mono_ns": str(entry.mono_ns),
        "boot_id": entry.boot_id,
        "kind": entry.kind,
        "unit_id": entry.unit_id,
        "data": entry.data,
        "prev_hash": entry.prev_hash.hex(),
        "hash": entry.hash.hex(),
    }
