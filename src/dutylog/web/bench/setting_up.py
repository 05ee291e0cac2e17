"""A bench is set up: its data folder, its key, its store and who may sign in first; or joined by another computer."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from pathlib import Path

from dutylog.bench.key_copy import (
    CopyNote,
    lock_key,
    move_aside,
    open_locked,
    place_key,
    read_copy,
    require_key,
    write_copy,
)
from dutylog.bench.keys import BENCH_KEY_FILE, SigningKey, key_words, load_or_make, read_key
from dutylog.bench.roles import MANAGER
from dutylog.bench.store.append import Transaction
from dutylog.bench.store.chain import Who
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import Bench
from dutylog.bench.store.store import Store
from dutylog.clock import Clock, SystemClock
from dutylog.config.bench import BENCH_FILE, BenchSettings, bench_text, check_currency, load_bench, parse_bench
from dutylog.errors import ConfigError
from dutylog.ledger.names import check_text
from dutylog.ledger.private_file import write_private
from dutylog.web.access_code import hash_code
from dutylog.web.bench.accounts import check_name, set_account

SETTING_UP = Who("setup", "program")


def set_up(
    data_dir: Path,
    name: str,
    manager: str,
    password: str,
    store_url: str,
    currency: str = "EUR",
    units: str = "metric",
    clock: Clock | None = None,
) -> str:
    """Make a bench and return the key_id of its key; broken off, it can be done again.

    Everything is looked at before anything is written: the file, the names, whether the store is somebody's bench.

    Raises:
        ConfigError: a bench is there, the folder can't be made, or a setting is wrong. InputError: name or password.
    """
    used = clock or SystemClock()
    check_text(name, "name of the bench")
    manager = check_name(manager)
    code = hash_code(password, used.utc_ns(), False, "password")
    text = bench_text(name, store_url, check_currency(currency), units)
    is_begun = (data_dir / BENCH_FILE).exists()
    settings = load_bench(data_dir) if is_begun else parse_bench(text, data_dir)
    make_dir(data_dir)
    path = data_dir / BENCH_KEY_FILE
    with Store.open(settings.store_url, used) as store:
        with store.read() as reading:
            _check_unused(reading, store.place, read_key(path))
        if not is_begun:
            write_private(data_dir / BENCH_FILE, text.encode("utf-8"))
        key = load_or_make(path, used.utc_ns())
        with store.write(SETTING_UP) as tx:
            _check_unused(tx.read, store.place, key)
            _put_bench(tx, name, key)
        set_account(store, SETTING_UP, manager, MANAGER, code=code)
    return key.key_id


def join_bench(
    data_dir: Path, file: Path, ask_passphrase: Callable[[], str], store_url: str, clock: Clock | None = None
) -> Bench:
    """Make this folder another computer's of a bench that is there, and return that.

    Args:
        file: copy of the bench's key, made on its first computer. store_url: the store that both work on.
    Raises:
        ConfigError: a bench is here, none is at the store, or the file holds another key than that one's.
    """
    used = clock or SystemClock()
    note, pem = read_copy(file)
    if (data_dir / BENCH_FILE).exists():
        raise ConfigError([f"{data_dir}: a bench is here already; join with an empty folder"])
    text = bench_text(note.name, store_url, check_currency(note.currency), note.units)
    settings = parse_bench(text, data_dir)
    key = open_locked(pem, ask_passphrase(), str(file))
    with Store.open(settings.store_url, used, is_new_ok=False) as store, store.read() as reading:
        bench = reading.bench()
    if bench is None:
        raise ConfigError([f"{store.place}: no bench is there to join; dutylog bench setup without --join makes one"])
    if bench.public_key != key.public_key:
        raise ConfigError([
            f"{file}: holds another key than that of bench {bench.name} ({key_words(bench.key_id)}); make a copy on "
            "its first computer: dutylog bench key --backup FILE"
        ])  # fmt: skip
    make_dir(data_dir)
    place_key(key, data_dir / BENCH_KEY_FILE, used.utc_ns())
    text = bench_text(bench.name, store_url, note.currency, note.units)
    write_private(data_dir / BENCH_FILE, text.encode("utf-8"))
    return bench


def find_bench(store: Store) -> Bench:
    """Return the bench of a store; ConfigError before it was set up."""
    with store.read() as reading:
        bench = reading.bench()
    if bench is None:
        raise ConfigError([f"{store.place}: no bench is set up here; dutylog bench setup does it"])
    return bench


def keep_bench(store: Store, name: str, key: SigningKey, who: Who = SETTING_UP) -> None:
    """Write down the bench's name and key where they are others than before; its id stays for ever."""
    with store.write(who) as tx:
        _put_bench(tx, name, key)


def back_up_key(settings: BenchSettings, store: Store, file: Path, passphrase: str) -> str:
    """Write the bench's key under a passphrase into a new file and return its key_id.

    Raises:
        ConfigError: the key is gone or another one, or the file is there. InputError: the passphrase is too short.
    """
    bench, path = find_bench(store), settings.data_dir / BENCH_KEY_FILE
    key = require_key(path, bench.key_id)
    note = CopyNote(bench.bench_id, bench.name, settings.currency, settings.units)
    write_copy(file, lock_key(path, passphrase), note)
    return key.key_id


def restore_key(settings: BenchSettings, store: Store, file: Path, passphrase: str) -> Path | None:
    """Put the bench's key back from a copy; return under which name one that stood there is kept.

    Raises:
        ConfigError: no such copy, a wrong passphrase, or it holds another key than the bench's.
    """
    bench, path = find_bench(store), settings.data_dir / BENCH_KEY_FILE
    _, pem = read_copy(file)
    key = open_locked(pem, passphrase, str(file))
    if key.public_key != bench.public_key:
        raise ConfigError(
            [f"{file}: holds another key than the bench's ({key_words(bench.key_id)}); take another copy"]
        )
    kept = move_aside(path)
    place_key(key, path, SystemClock().utc_ns())
    return kept


def renew_key(settings: BenchSettings, store: Store, who: Who) -> tuple[SigningKey, Path | None]:
    """Make the bench another key; return it, and under which name one that stood there is kept.

    Records from now on are signed with it, and vehicles will ask about it.
    """
    bench, path = find_bench(store), settings.data_dir / BENCH_KEY_FILE
    kept = move_aside(path)
    key = load_or_make(path, SystemClock().utc_ns())
    keep_bench(store, bench.name, key, who)
    return key, kept


def make_dir(data_dir: Path) -> None:
    """Make a data folder, for its owner alone."""
    try:
        data_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
        data_dir.chmod(0o700)
    except OSError as err:
        raise ConfigError([f"{data_dir}: {err.strerror}; name a folder that can be made"]) from err


def _put_bench(tx: Transaction, name: str, key: SigningKey) -> None:
    before = tx.read.bench()
    if before is not None and (before.name, before.key_id) == (name, key.key_id):
        return
    bench_id = str(uuid.uuid4()) if before is None else before.bench_id
    tx.append("bench_put", {"bench_id": bench_id, "name": name, "key_id": key.key_id, "public_key": key.public_key})


def _check_unused(reading: Reading, place: str, key: SigningKey | None) -> None:
    """Refuse a store that is a bench's; what this folder's own setup began may be ended."""
    bench, accounts = reading.bench(), reading.accounts()
    is_ours = bench is None or (key is not None and key.key_id == bench.key_id)
    if any(one.role == MANAGER and not one.is_closed for one in accounts) or not is_ours:
        raise ConfigError([
            f"{place}: a bench is set up here already; dutylog bench account add makes further accounts, and another "
            "computer works on it too by setup --join FILE"
        ])  # fmt: skip
