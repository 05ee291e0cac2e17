"""A bench made again of a backup: looked at first, then whole or not at all, so that it can be tried again."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from dutylog.bench.key_copy import open_locked, place_key
from dutylog.bench.keys import BENCH_KEY_FILE, SigningKey, key_words, load_or_make, read_key
from dutylog.bench.store.backup import Kept, read_kept, restore
from dutylog.bench.store.store import Store
from dutylog.clock import Clock, SystemClock
from dutylog.config.bench import (
    BENCH_FILE,
    SQLITE,
    SQLITE_FILE,
    BenchSettings,
    bench_text,
    load_bench,
    parse_bench,
    with_store,
)
from dutylog.errors import ConfigError
from dutylog.ledger.private_file import force_folder, write_private
from dutylog.web.bench.setting_up import keep_bench, make_dir

PART_FILE = f".{SQLITE_FILE}-restoring"
"""Where a store of SQLite grows: under its own name there is a whole one or none."""
_ENDINGS = ("", "-wal", "-shm", "-journal")


def restore_bench(
    file: Path, data_dir: Path, store_url: str, ask_passphrase: Callable[[], str]
) -> tuple[Kept, str | None]:
    """Make a bench of a backup; return what it held, and the words of its key where that had to be a new one.

    Args:
        ask_passphrase: asked only where the backup holds the key and the folder doesn't.
    Raises:
        ConfigError: a bench is there already, the passphrase is wrong, or another key stands in the folder.
        InputError: the backup is damaged, or the store isn't empty.
    """
    clock = SystemClock()
    told = read_kept(file)
    text = with_store(told.settings or bench_text(told.name or "bench", SQLITE, "EUR", "metric"), store_url)
    settings = parse_bench(text, data_dir)
    _check_free(data_dir, settings)
    locked = _read_key(told, data_dir / BENCH_KEY_FILE, ask_passphrase)
    make_dir(data_dir)
    folder = _Folder(data_dir, text, locked, clock)
    if settings.store == SQLITE:
        kept, is_new = _restore_to_file(file, settings, folder)
    else:
        kept, is_new = _restore_to_server(file, settings, folder)
    return kept, key_words(is_new) if is_new else None


class _Folder:
    """What is put into a bench's folder beside its store. locked: the key out of the backup, None where it has none."""

    def __init__(self, data_dir: Path, text: str, locked: SigningKey | None, clock: Clock) -> None:
        self.data_dir = data_dir
        self.clock = clock
        self._text = text
        self._locked = locked

    def put_key(self) -> SigningKey:
        """Put the key there: the backup's, the one that stands there, or a new one."""
        path, utc_ns = self.data_dir / BENCH_KEY_FILE, self.clock.utc_ns()
        return load_or_make(path, utc_ns) if self._locked is None else place_key(self._locked, path, utc_ns)

    def put_settings(self) -> None:
        """Write bench.toml."""
        write_private(self.data_dir / BENCH_FILE, self._text.encode("utf-8"))


def _restore_to_file(file: Path, settings: BenchSettings, folder: _Folder) -> tuple[Kept, str]:
    part = folder.data_dir / PART_FILE
    _drop(part)
    try:
        kept = restore(file, part, folder.clock)
        key = folder.put_key()
        with Store.open(part, folder.clock) as store:
            is_new = _keep_key(store, settings.name, key)
        folder.put_settings()
        if any(part.with_name(part.name + ending).exists() for ending in _ENDINGS[1:]):
            raise ConfigError([f"{part}: is in use by another program; close that one and try again"])
        # The last step: before it there is no bench here, after it there is all of it.
        _give_name(part, folder.data_dir / SQLITE_FILE)
    finally:
        _drop(part)
    return kept, is_new


def _restore_to_server(file: Path, settings: BenchSettings, folder: _Folder) -> tuple[Kept, str]:
    """Do so where the store can't be given another name: key and file first, then all entries at once."""
    is_begun = (folder.data_dir / BENCH_FILE).exists()
    key = folder.put_key()
    folder.put_settings()
    try:
        kept = restore(file, settings.store_url, folder.clock)
    except Exception:
        if not is_begun:
            (folder.data_dir / BENCH_FILE).unlink(missing_ok=True)
        raise
    with Store.open(settings.store_url, folder.clock) as store:
        return kept, _keep_key(store, settings.name, key)


def _keep_key(store: Store, name: str, key: SigningKey) -> str:
    """Write the key down where it is another one than the bench had, and return its key_id then, else ''."""
    with store.read() as reading:
        bench = reading.bench()
    if bench is not None and bench.key_id == key.key_id:
        return ""
    keep_bench(store, name if bench is None else bench.name, key)
    return key.key_id


def _check_free(data_dir: Path, settings: BenchSettings) -> None:
    """Refuse a folder with a bench; one in which a restore was broken off has its bench.toml and no store yet."""
    has_store = (data_dir / SQLITE_FILE).exists()
    has_file = (data_dir / BENCH_FILE).exists()
    if has_store or (has_file and load_bench(data_dir).store != settings.store):
        raise ConfigError([f"{data_dir}: a bench is here already; a backup goes into an empty folder"])


def _read_key(told: Kept, path: Path, ask_passphrase: Callable[[], str]) -> SigningKey | None:
    there = read_key(path)
    if told.key_pem is None:
        return None
    if there is None:
        return open_locked(told.key_pem, ask_passphrase())
    if told.key_id not in (None, there.key_id):
        raise ConfigError([f"{path}: another key stands there than the backup's; move it away first"])
    return None


def _give_name(part: Path, target: Path) -> None:
    os.replace(part, target)
    force_folder(target.parent)


def _drop(part: Path) -> None:
    for ending in _ENDINGS:
        part.with_name(part.name + ending).unlink(missing_ok=True)
