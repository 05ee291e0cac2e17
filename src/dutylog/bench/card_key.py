"""The vehicle's key: made at its first start, kept twice beside the ledger, put back, exchanged (shared/DUTY_CARD.md).

`python -m dutylog.bench.card_key FOLDER` settles it in a process of its own that ends at once; core never loads what
signs.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from dutylog.bench.keys import (
    CARD_KEY_FILE,
    SigningKey,
    encode_key,
    key_words,
    load_or_make,
    make_private_key,
    parse_key,
    read_key,
)
from dutylog.clock import SystemClock
from dutylog.errors import ConfigError, DutylogError
from dutylog.ledger.card_entries import CardKey, last_key
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.private_file import read_private, write_private

COPY_FILE = "card_key.copy.pem"
_LONGEST_FILE_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Exchanged:
    """What became of the key. kept: where the key that was there before stays, None where there was none."""

    key: SigningKey
    kept: Path | None


def settle_key(data_dir: Path, utc_ns: int, known: CardKey | None) -> SigningKey:
    """Return the vehicle's key, made now where there never was one; put back from its copy where it is gone.

    A copy that is another key than the file is brought to date; what it was is kept beside it.

    Args:
        utc_ns: wall time for a new one, which may be wrong.
        known: the key that the ledger's newest card was signed with, None before the first card.
    Raises:
        ConfigError: the file is damaged or others can read it, or the key is lost: one line with what to do.
    """
    path, copy = data_dir / CARD_KEY_FILE, data_dir / COPY_FILE
    try:
        key = read_key(path)
    except ConfigError as err:
        raise ConfigError([f"{err}{_say_copy(copy)}"]) from err
    if key is None and read_key(copy) is not None:
        write_private(path, _read(copy), only_if_new=True)
        key = read_key(path)
    if key is None and known is not None:
        raise ConfigError([
            f"signing key {path}: gone, and so is its copy; cards so far were signed with {key_words(known.key_id)}. "
            "Put a backup back: dutylog card key --restore FILE. Without one: dutylog card key --new, and every "
            "bench will ask whether to believe the new key"
        ])  # fmt: skip
    if key is None:
        key = load_or_make(path, utc_ns)
    # People put a key there by hand. A damaged copy stays as it is, somebody may still want to look at it.
    if not write_private(copy, _read(path), only_if_new=True) and _keep_copy(data_dir, key):
        write_private(copy, _read(path))
    return key


def back_up_key(data_dir: Path, target: Path) -> SigningKey:
    """Copy the vehicle's key to a new file, mode 0600; ConfigError when there is none, or the file is there already."""
    key = _require_key(data_dir)
    if not write_private(target, _read(data_dir / CARD_KEY_FILE), only_if_new=True):
        raise ConfigError([f"{target}: is there already; name a file that isn't"])
    return key


def restore_key(data_dir: Path, source: Path) -> Exchanged:
    """Make the key of a backup the vehicle's; ConfigError when the file holds none."""
    try:
        data = source.read_bytes()[: _LONGEST_FILE_BYTES + 1]
    except OSError as err:
        raise ConfigError([f"{source}: {err.strerror}; name a file made with dutylog card key --backup"]) from err
    return _exchange(data_dir, data, str(source))


def renew_key(data_dir: Path, utc_ns: int) -> Exchanged:
    """Make a new key the vehicle's; cards from now on are signed with it, and benches will ask about it."""
    return _exchange(data_dir, encode_key(make_private_key(), utc_ns), "new key")


def known_key(data_dir: Path) -> CardKey | None:
    """Return the key that the ledger's newest card was signed with; None without a ledger or a card."""
    if not (data_dir / LEDGER_NAME).exists():
        return None
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
        return last_key(ledger)


def _exchange(data_dir: Path, data: bytes, where: str) -> Exchanged:
    key = parse_key(data, where)
    path, kept = data_dir / CARD_KEY_FILE, None
    try:
        old = read_key(path)
    except ConfigError:
        # What is there is no key, or not ours alone: kept all the same.
        old, kept = None, _free_name(data_dir, "unreadable")
    if old is not None and old.key_id != key.key_id:
        kept = _free_name(data_dir, old.key_id)
    if kept is not None:
        path.rename(kept)
        kept.chmod(0o600)
    _keep_copy(data_dir, key)
    # The copy first: cut in between, the new key is put back from it, never the old one from an old copy.
    write_private(data_dir / COPY_FILE, data)
    write_private(path, data)
    return Exchanged(key, kept)


def _keep_copy(data_dir: Path, key: SigningKey) -> bool:
    """Keep what the copy holds under a name of its own where it is another key than this; return whether it was."""
    copy = data_dir / COPY_FILE
    try:
        other = read_key(copy)
    except ConfigError:
        return False
    if other is None or other.key_id == key.key_id:
        return False
    write_private(data_dir / f"card_key.before-{other.key_id}.pem", _read(copy), only_if_new=True)
    return True


def _free_name(data_dir: Path, word: str) -> Path:
    names = (data_dir / f"card_key.before-{word}{f'-{n}' if n else ''}.pem" for n in range(1000))
    return next(name for name in names if not name.exists())


def _require_key(data_dir: Path) -> SigningKey:
    key = read_key(data_dir / CARD_KEY_FILE)
    if key is None:
        raise ConfigError([
            f"signing key {data_dir / CARD_KEY_FILE}: there is none yet; `dutylog run` and the first `dutylog card "
            "export` make one"
        ])  # fmt: skip
    return key


def _read(path: Path) -> bytes:
    return read_private(path, "signing key", _LONGEST_FILE_BYTES)


def _say_copy(copy: Path) -> str:
    try:
        is_good = read_key(copy) is not None
    except ConfigError:
        is_good = False
    return f" (a good one is {copy}: dutylog card key --restore {copy})" if is_good else ""


def main(argv: list[str]) -> int:
    """Settle the key of the data folder named; return 0, or 2 with one line of why not."""
    if len(argv) != 1:
        sys.stderr.write("python -m dutylog.bench.card_key FOLDER: name the data folder\n")
        return 2
    data_dir = Path(argv[0])
    try:
        settle_key(data_dir, SystemClock().utc_ns(), known_key(data_dir))
    except DutylogError as err:
        for line in str(err).splitlines():
            sys.stderr.write(f"dutylog: {line}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
