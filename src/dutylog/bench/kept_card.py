"""The newest card of a damper as the vehicle keeps it, for its page and its QR code (shared/DUTY_CARD.md)."""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dutylog.bench.canonical import CARD
from dutylog.bench.summary_read import read_summary
from dutylog.errors import CardRefused, ConfigError, one_line
from dutylog.ledger.private_file import write_private

FILE_END = ".card.json"
CARDS_FOLDER = "cards"
_MOST_SUMMARY_BYTES = 4096


@dataclass(frozen=True, slots=True)
class KeptCard:
    """A card that was issued. data: the file's bytes. figures: of its QR code, by their letters. summary: that text."""

    number: int
    label: str
    day: str
    by: str
    is_day_sure: bool
    key_id: str
    data: bytes
    file_name: str
    summary: str
    figures: Mapping[str, Any]


def label_of(card: Mapping[str, Any]) -> str:
    """Return what people call a card's damper."""
    damper = card["damper"]
    return str(damper["serial"] or damper["tag"] or damper["unit_id"])


def file_name_of(card: Mapping[str, Any]) -> str:
    """Return a name for a card's file, of letters that every disk takes: SN-1-card-3.card.json."""
    plain = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "_" for sign in label_of(card))
    return f"{plain[:40] or 'damper'}-card-{card['issued']['sequence']}{FILE_END}"


def kept_card_path(data_dir: Path, unit_id: str) -> Path:
    """Return where the newest card of a damper is kept, byte for byte as it was handed out."""
    return data_dir / CARDS_FOLDER / f"{unit_id}{FILE_END}"


def kept_summary_path(data_dir: Path, unit_id: str) -> Path:
    """Return where the text of that card's QR code is kept."""
    return data_dir / CARDS_FOLDER / f"{unit_id}.qr.txt"


def keep_card(data_dir: Path, card: Mapping[str, Any], data: bytes, summary: str) -> None:
    """Keep a card and its QR code's text as the newest of its damper: for the page, and for who lost the file.

    One that was issued later, by somebody at the same time, stays.
    Args:
        data: the card's file. summary: the text of its QR code.
    Raises:
        ConfigError: it can't be written.
    """
    unit_id, folder = str(card["damper"]["unit_id"]), data_dir / CARDS_FOLDER
    with _folder_to_oneself(data_dir, folder):
        if not _goes_on(data_dir, card):
            write_private(kept_card_path(data_dir, unit_id), data)
            write_private(kept_summary_path(data_dir, unit_id), summary.encode("ascii"))


def read_kept(data_dir: Path, unit_id: str) -> KeptCard | None:
    """Return the newest card of a damper, None where none is kept, or where only half of it is.

    It is our own file, so it isn't checked as a stranger's would be.
    Raises:
        ConfigError: it can't be read.
    """
    path, beside = kept_card_path(data_dir, unit_id), kept_summary_path(data_dir, unit_id)
    try:
        with path.open("rb") as opened:
            data = opened.read(CARD.limit_bytes + 1)
        with beside.open("rb") as opened:
            summary = opened.read(_MOST_SUMMARY_BYTES).decode("ascii")
        card = json.loads(data)
        figures = read_summary(summary, {}).fields
        if figures["n"] != card["issued"]["sequence"]:
            # Cut between the two files: the next card mends it.
            return None
        return KeptCard(
            number=int(card["issued"]["sequence"]),
            label=label_of(card),
            day=str(card["issued"]["utc"])[:10],
            by=str(card["issued"]["by"]),
            is_day_sure=bool(card["issued"]["utc_trusted"]),
            key_id=str(card["signature"]["key_id"]),
            data=data,
            file_name=file_name_of(card),
            summary=summary,
            figures=figures,
        )
    except FileNotFoundError:
        return None
    except OSError as err:
        raise ConfigError([f"kept card {path}: {err.strerror}; check the rights of that folder"]) from err
    except (CardRefused, ValueError, KeyError, TypeError, RecursionError) as err:
        raise ConfigError([f"kept card {path}: can't be read ({one_line(err, 80)}); issue another one"]) from err


def _goes_on(data_dir: Path, card: Mapping[str, Any]) -> bool:
    """Return whether the card that is kept goes on from this one: same history, and more of it.

    By the chain, not by the number: a ledger that was put back from a copy gives numbers away twice.
    """
    try:
        with kept_card_path(data_dir, str(card["damper"]["unit_id"])).open("rb") as opened:
            kept = json.loads(opened.read(CARD.limit_bytes + 1))["evidence"]["chain"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return False
    chain = card["evidence"]["chain"]
    return len(kept) > len(chain) and kept[: len(chain)] == chain


@contextmanager
def _folder_to_oneself(data_dir: Path, folder: Path) -> Iterator[None]:
    """Make the folder where there is none, and let nobody else keep a card meanwhile."""
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        if os.geteuid() == 0:
            owner = data_dir.stat()
            os.chown(folder, owner.st_uid, owner.st_gid)
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as err:
        raise ConfigError([f"{folder}: can't be made ({err.strerror}); check the rights of the data folder"]) from err
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)
