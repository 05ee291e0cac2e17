"""`dutylog bench`: a shop's bench: setting it up, its pages, accounts, copies (shared/BENCH_ACCESS.md)."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dutylog.bench.roles import MANAGER, ROLES, TECHNICIAN
from dutylog.clock import SystemClock
from dutylog.errors import ConfigError, InputError, one_line

if TYPE_CHECKING:
    from dutylog.bench.store.store import Store
    from dutylog.config.bench import BenchSettings

_PATH = click.Path(path_type=Path)
_LONGEST_LINE = 1024
_DATA = click.option("--data", "data_dir", required=True, type=_PATH, help="Data folder of the bench.")
PROMPT = "Password (at least 8 characters, not shown)"
KEY_PROMPT = "Passphrase of the key (at least 12 characters, not shown)"


@click.group()
def bench() -> None:
    """A shop's bench: dampers in by their cards, inspected, built, and back with a signed record."""


@bench.command()
@_DATA
@click.option("--name", default="", help="What people call this bench; needed without --join.")
@click.option("--manager", default="manager", show_default=True, help="Name of the first manager's account.")
@click.option("--store", default="sqlite", show_default=True, help="sqlite, or postgresql://HOST/NAME.")
@click.option("--currency", default="EUR", show_default=True, help="Of prices, three letters.")
@click.option("--units", type=click.Choice(["metric", "us"]), default="metric", show_default=True)
@click.option("--join", type=_PATH, help="Work on the bench at --store too: copy of its key (bench key --backup).")
def setup(data_dir: Path, name: str, manager: str, store: str, currency: str, units: str, join: Path | None) -> None:
    """Make a bench: folder, signing key, store, first manager. Asks for their password twice, or reads one line.

    With --join this computer becomes another one of a bench that is there: name, accounts, currency and units are
    that one's, and the passphrase of the key's copy is asked.
    """
    from dutylog.bench.keys import key_words
    from dutylog.web.bench.setting_up import join_bench, set_up

    if join is not None:
        found = join_bench(data_dir, join, lambda: _ask_password(KEY_PROMPT, anew=False), store)
        click.echo(f"{data_dir} works on bench {found.name} too, key {key_words(found.key_id)}")
        return
    key_id = set_up(data_dir, name, manager, _ask_password(), store, currency, units)
    click.echo(f"bench {name} is set up in {data_dir}")
    click.echo(f"its key      {key_words(key_id)}")
    click.echo(f"start it     dutylog bench serve --data {data_dir}")
    click.echo(f"keep safe    its key: dutylog bench key --backup FILE --data {data_dir}, on another medium")


@bench.command()
@_DATA
@click.option("--listen", help="Address instead of the file's; 0.0.0.0 for all.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port instead of the file's.")
def serve(data_dir: Path, listen: str | None, port: int | None) -> None:
    """Serve the bench's pages until stopped."""
    from dutylog.config.bench import load_bench
    from dutylog.web.bench.server import serve as serve_pages

    serve_pages(load_bench(data_dir), listen, port)


@bench.group()
def account() -> None:
    """Who may sign in: list, add, disable, password."""


def _with_store(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command --data; it receives the open store as `store`."""

    @_DATA
    @wraps(function)
    def command(data_dir: Path, **rest: Any) -> None:
        with _open(data_dir) as (_, store):
            function(store=store, **rest)

    return command


@account.command("list")
@_with_store
def list_accounts(store: Store) -> None:
    """List accounts: name, role, whether closed."""
    from dutylog.web.bench.accounts import read_accounts

    for one in read_accounts(store):
        click.echo(f"{one.name:<24}{one.role:<12}{'closed' if one.is_closed else 'open'}")


@account.command()
@click.argument("name")
@click.option("--role", type=click.Choice(ROLES), default=TECHNICIAN, show_default=True)
@_with_store
def add(store: Store, name: str, role: str) -> None:
    """Add an account. Asks for its password twice, or reads one line where input is no terminal."""
    from dutylog.web.bench.accounts import check_name, find_account, set_account

    name = check_name(name)
    if find_account(store, name) is not None:
        raise InputError(f"account {name}: is there already; dutylog bench account password sets another password")
    set_account(store, _keyboard(), name, role, code=_hash(_ask_password()))
    click.echo(f"{name} may sign in as {role}")


@account.command()
@click.argument("name")
@_with_store
def disable(store: Store, name: str) -> None:
    """Close an account; whoever is signed in with it is signed out at once."""
    from dutylog.web.bench.accounts import set_account

    found = _find(store, name)
    set_account(store, _keyboard(), found.name, found.role, is_closed=True)
    click.echo(f"{found.name} is closed; what they wrote down stays")


@account.command()
@click.argument("name")
@click.option("--role", type=click.Choice(ROLES), help="Another role as well.")
@_with_store
def password(store: Store, name: str, role: str | None) -> None:
    """Set another password and open the account again; whoever is signed in with it is signed out."""
    from dutylog.web.bench.accounts import set_account

    found = _find(store, name)
    set_account(store, _keyboard(), found.name, role or found.role, code=_hash(_ask_password()))
    click.echo(f"{found.name} has another password, role {role or found.role}")


@bench.command("import")
@click.argument("card", type=_PATH)
@click.option("--accept", multiple=True, help="A reason to take it in all the same, such as key_changed; repeat it.")
@click.option("--why", default="", help="What happened, and who said so; with --accept.")
@click.option("--by", default="keyboard", show_default=True, help="Who does it.")
@click.option("--job/--no-job", "opens_job", default=True, help="Whether the damper is on the bench.")
@_with_store
def import_card(store: Store, card: Path, accept: tuple[str, ...], why: str, by: str, opens_job: bool) -> None:
    """Take a duty card in: a file NAME.card.json of a vehicle."""
    from datetime import UTC, datetime

    from dutylog.bench.store.chain import Who
    from dutylog.bench.taking_in import take_card

    today = datetime.now(UTC).date()
    found = take_card(
        store,
        Who(by, MANAGER),
        _read(card),
        today,
        name=card.name,
        accept=frozenset(accept),
        why=why,
        opens_job=opens_job,
    )
    if found.damper_id is None:
        lines = [f"{card}: {one.text}" for one in found.verdict.refusals]
        rest = sorted(found.verdict.acceptable)
        hint = [f"{card}: --accept {' --accept '.join(rest)} --why TEXT takes it in all the same"] if rest else []
        raise ConfigError([*lines, *hint])
    for notice in found.verdict.notices:
        click.echo(f"note: {notice.text}", err=True)
    job = "" if found.job_id is None else f", job {found.job_id}"
    click.echo(f"card {found.card.sequence} of {found.card.label} is here{job}")


@bench.command()
@click.option("--rebuild", is_flag=True, help="Make all tables again from the entries.")
@_with_store
def verify(store: Store, rebuild: bool) -> None:
    """Walk the whole chain of entries and all photos, hold every table against it; says what is broken."""
    found = store.verify()
    if not found.is_good:
        raise ConfigError([f"{store.place}: {found.text}"])
    click.echo(f"{store.place}: {found.text}")
    if rebuild:
        click.echo(f"{store.place}: all tables made again from {store.rebuild()} entries")
    elif table := store.find_altered():
        raise ConfigError([
            f"{store.place}: table {table} is not what the entries say; dutylog bench verify --rebuild makes it again"
        ])  # fmt: skip


@bench.command()
@_DATA
@click.option("--backup", type=_PATH, help="Copy it to a new FILE under a passphrase; for another computer as well.")
@click.option("--restore", type=_PATH, help="Take it out of such a FILE.")
@click.option("--new", is_flag=True, help="Make another one; every vehicle will ask whether to believe it.")
def key(data_dir: Path, backup: Path | None, restore: Path | None, new: bool) -> None:
    """Show the key that signs this bench's records, copy it, put a copy back, or make another.

    The key itself is never shown. Whoever has it can sign records in this bench's name.
    """
    from dutylog.bench.key_copy import require_key
    from dutylog.bench.keys import BENCH_KEY_FILE, key_words
    from dutylog.web.bench.setting_up import back_up_key, find_bench, renew_key, restore_key

    if sum((backup is not None, restore is not None, new)) > 1:
        raise click.UsageError("give one of --backup, --restore and --new")
    kept = None
    with _open(data_dir) as (settings, store):
        if backup is not None:
            key_id = back_up_key(settings, store, backup, _ask_password(KEY_PROMPT))
            click.echo(f"key {key_words(key_id)} copied to {backup}, under its passphrase")
            return
        if restore is not None:
            kept = restore_key(settings, store, restore, _ask_password(KEY_PROMPT, anew=False))
        elif new:
            _, kept = renew_key(settings, store, _keyboard())
        found = require_key(data_dir / BENCH_KEY_FILE, find_bench(store).key_id)
    click.echo(f"key           {key_words(found.key_id)}")
    click.echo(f"made          {found.made_utc or 'nobody wrote down when'} (by the clock of then)")
    if kept is not None:
        click.echo(f"before        the key that was there is kept as {kept}")


@bench.command()
@click.argument("file", type=_PATH)
@_DATA
@click.option(
    "--with-key", is_flag=True, help="The signing key as well, under a passphrase (asked, or a line of input)."
)
def backup(file: Path, data_dir: Path, with_key: bool) -> None:
    """Write all entries, photos and bench.toml into one file, checked; works while the bench is in use."""
    from dutylog.bench.key_copy import lock_key, require_key
    from dutylog.bench.keys import BENCH_KEY_FILE
    from dutylog.bench.store.backup import write
    from dutylog.config.bench import BENCH_FILE, with_store
    from dutylog.config.loader import read_toml
    from dutylog.web.bench.setting_up import find_bench

    with _open(data_dir) as (_, store):
        key = None
        if with_key:
            require_key(data_dir / BENCH_KEY_FILE, find_bench(store).key_id)
            key = lock_key(data_dir / BENCH_KEY_FILE, _ask_password(KEY_PROMPT))
        kept = write(store, file, key, with_store(read_toml(data_dir / BENCH_FILE)[0], None))
        with store.write(_keyboard()) as tx:
            tx.append("looked_at", {"what": f"backup of {kept.entries_count} entries"})
    click.echo(f"{file}: {kept.text}")


@bench.command()
@click.argument("file", type=_PATH)
@_DATA
@click.option("--store", "store_url", default="sqlite", show_default=True, help="sqlite, or postgresql://HOST/NAME.")
def restore(file: Path, data_dir: Path, store_url: str) -> None:
    """Make a bench of a backup again, in an empty folder; asks for the passphrase where the key is in it."""
    from dutylog.web.bench.restoring import restore_bench

    kept, key = restore_bench(file, data_dir, store_url, lambda: _ask_password(KEY_PROMPT, anew=False))
    click.echo(f"{file}: {kept.text}, all in {data_dir}")
    if key is not None:
        click.echo(f"the key was not in the backup: the new one is {key}; vehicles ask before they take its records")


@contextmanager
def _open(data_dir: Path) -> Iterator[tuple[BenchSettings, Store]]:
    """Give settings and store of a bench."""
    from dutylog.bench.store.store import Store
    from dutylog.config.bench import load_bench

    settings = load_bench(data_dir)
    with Store.open(settings.store_url, is_new_ok=False) as store:
        yield settings, store


def _find(store: Store, name: str) -> Any:
    from dutylog.web.bench.accounts import find_account, read_accounts

    found = find_account(store, name)
    if found is None:
        known = ", ".join(one.name for one in read_accounts(store)) or "none"
        raise InputError(f"account {one_line(name, 40)}: isn't there; known: {known}")
    return found


def _keyboard() -> Any:
    """Return who is written down for what is typed on this computer."""
    from dutylog.bench.store.chain import Who

    return Who("keyboard", MANAGER)


def _hash(password: str) -> Any:
    from dutylog.web.access_code import hash_code

    return hash_code(password, SystemClock().utc_ns(), False, "password")


def _ask_password(prompt: str = PROMPT, anew: bool = True) -> str:
    """Return a password: asked on a terminal, a new one twice, else one line of standard input; never an argument."""
    if sys.stdin.isatty():
        return str(click.prompt(prompt, hide_input=True, confirmation_prompt="The same again" if anew else False))
    text = sys.stdin.readline(_LONGEST_LINE + 1)
    if not text or len(text) > _LONGEST_LINE:
        raise InputError("password: no line came on standard input; write it alone on one line")
    return text.rstrip("\r\n")


def _read(path: Path) -> bytes:
    from dutylog.bench.canonical import CARD

    try:
        with path.open("rb") as file:
            return file.read(CARD.limit_bytes + 1)
    except OSError as err:
        raise ConfigError([f"{path}: {err.strerror}; give the file of a duty card"]) from err
