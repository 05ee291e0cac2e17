"""`dutylog access`: the access code of the pages and their certificate (shared/ACCESS.md)."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import wraps
from pathlib import Path
from typing import Any

import click

from dutylog.cli.duty_text import utc_text
from dutylog.cli.ledger import find_place
from dutylog.clock import SystemClock, read_kernel_clock
from dutylog.config import load
from dutylog.config.settings import WebSettings
from dutylog.errors import InputError
from dutylog.web.access_code import MOST_SIGNS, clear_code, hash_code, read_code, write_code
from dutylog.web.tls import Certificate, read_certificate, settle_certificate, wanted_names

_LONGEST_LINE = 8 * MOST_SIGNS
PROMPT = "Access code (at least 8 characters, not shown)"


@dataclass(frozen=True, slots=True)
class PagePlace:
    """A data folder, and what the vehicle file says of the page; None when no file was named."""

    data_dir: Path
    web: WebSettings | None


@click.group()
def access() -> None:
    """Who may write on the pages, and who sees them from other machines."""


def with_place(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that name a data folder; it receives a PagePlace as `place`."""

    @click.option("--data", type=click.Path(path_type=Path), help="Data folder of the vehicle.")
    @click.option("--config", type=click.Path(path_type=Path), help="Vehicle file that names the data folder.")
    @wraps(function)
    def command(data: Path | None, config: Path | None, **rest: Any) -> None:
        data_dir = find_place(data, config).data_dir
        if not data_dir.is_dir():
            raise click.UsageError(f"{data_dir}: no such folder; give the data folder of `dutylog run`")
        function(place=PagePlace(data_dir, None if config is None else load(config).web), **rest)

    return command


@access.command("set")
@with_place
def set_code(place: PagePlace) -> None:
    """Set the access code: asks twice, or reads one line where input is no terminal. Signs everybody out."""
    if sys.stdin.isatty():
        code = click.prompt(PROMPT, hide_input=True, confirmation_prompt="The same again")
    else:
        code = _read_line()
    write_code(place.data_dir, hash_code(code, SystemClock().utc_ns(), read_kernel_clock().is_trusted()))
    click.echo("access code set; whoever was signed in is signed out")


@access.command()
@with_place
def show(place: PagePlace) -> None:
    """Show whether there is a code, since when, and how the page is encrypted; never the code."""
    code = read_code(place.data_dir)
    if code is None:
        click.echo("access code   none: only this machine sees the pages, nobody can sign in")
    else:
        click.echo(f"access code   set {utc_text(code.set_utc_ns, code.is_trusted)}")
    if place.web is None:
        click.echo("listens on    name the vehicle file with --config to see")
    else:
        click.echo(f"listens on    {place.web.listen} port {place.web.port}, {_line_text(place.web)}")
    found = read_certificate(place.data_dir)
    if found is None:
        click.echo("certificate   none yet")
    else:
        _show(found)


@access.command()
@with_place
def clear(place: PagePlace) -> None:
    """Take the access code away: only this machine sees the pages then, and everybody is signed out."""
    click.echo("access code cleared" if clear_code(place.data_dir) else "no access code was set")


@access.command()
@click.option("--new", "anew", is_flag=True, help="Make another one, though there is one.")
@with_place
def certificate(place: PagePlace, anew: bool) -> None:
    """Make the certificate of the pages where there is none, and show its fingerprint to compare."""
    web = place.web or WebSettings()
    names = wanted_names(web.listen, web.names)
    _show(settle_certificate(place.data_dir, names, SystemClock().utc_ns(), anew))
    if place.web is not None and not place.web.tls:
        click.echo("not in use: the vehicle file has no tls = true in [web]")


def _show(found: Certificate) -> None:
    until = datetime.fromtimestamp(found.not_after_utc_s, UTC)
    click.echo(f"certificate   SHA-256 {found.fingerprint}")
    click.echo(f"  valid until {until:%Y-%m-%d}")
    click.echo(f"  for         {', '.join(found.names)}")


def _line_text(web: WebSettings) -> str:
    return "encrypted" if web.tls else "not encrypted (tls = true in [web] would)"


def _read_line() -> str:
    """Return the one line of standard input."""
    text = sys.stdin.readline(_LONGEST_LINE + 1)
    if not text or len(text) > _LONGEST_LINE:
        raise InputError("access code: no line came on standard input; write it alone on one line")
    return text.rstrip("\r\n")
