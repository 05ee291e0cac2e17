"""`bench.toml` of a bench's data folder: its name, where its pages listen, where it keeps what it knows."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import tomlkit
from pydantic import BaseModel, ConfigDict, Field
from tomlkit.exceptions import TOMLKitError

from dutylog.config.checks import check_outputs
from dutylog.config.loader import mqtt_settings, read_toml
from dutylog.config.report import Report
from dutylog.config.schema import HostName, MqttTable, Table, Text, within
from dutylog.config.settings import MqttSettings
from dutylog.config.translate import read_as
from dutylog.errors import ConfigError, one_line

BENCH_FILE = "bench.toml"
BENCH_PORT = 8322
"""Beside the vehicle's 8321: both may run on one computer."""
SQLITE = "sqlite"
SQLITE_FILE = "bench.sqlite"
_CURRENCY = re.compile(r"[A-Z]{3}")
_CURRENCY_TEXT = "give three capital letters, such as EUR or USD"
URL_SIGNS = 1024
"""Of a store's address with its options (judgement)."""
_PASSWORD = re.compile(r"^[a-z0-9+]+://[^/@]*:[^/@]*@|[?&]password=", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class BenchSettings:
    """A bench as its file says.

    store: 'sqlite' for a file in the data folder, else a URL of PostgreSQL. currency: of prices, ISO 4217.
    units: 'metric' or 'us', which a screen shows until somebody chooses. mqtt: over which duty of vehicles that agreed
    arrives, None: none does. notes: one line for each thing that is odd but allowed.
    """

    data_dir: Path
    name: str
    listen: str = "127.0.0.1"
    port: int = BENCH_PORT
    tls: bool = False
    names: tuple[str, ...] = ()
    store: str = SQLITE
    currency: str = "EUR"
    units: str = "metric"
    mqtt: MqttSettings | None = None
    notes: tuple[str, ...] = ()

    @property
    def store_url(self) -> str:
        """Return where the store is, as a URL."""
        return f"sqlite:///{self.data_dir.absolute() / SQLITE_FILE}" if self.store == SQLITE else self.store


class BenchTable(Table):
    """[bench]"""

    name: Text = Field(description="what people call this bench")
    currency: Text = Field(default="EUR", description="currency of prices, three letters")
    units: Literal["metric", "us"] = Field(default="metric", description="units a screen shows first")


class PagesTable(Table):
    """[pages]"""

    listen: Text = Field(default="127.0.0.1", description="address the pages listen on")
    port: Annotated[int, within("port")] = Field(default=BENCH_PORT, description="port of the pages")
    tls: bool = Field(default=False, description="whether the line is encrypted, with a certificate made here")
    names: Annotated[list[HostName], Field(max_length=8)] = Field(
        default_factory=list, description="further host names people type"
    )


class StoreTable(Table):
    """[store]"""

    url: str = Field(default=SQLITE, description='"sqlite", or a URL of PostgreSQL without a password')


class BenchDocument(BaseModel):
    """A whole bench.toml."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    bench: BenchTable = Field(description="[bench]")
    pages: PagesTable = Field(default_factory=PagesTable, description="[pages]")
    store: StoreTable = Field(default_factory=StoreTable, description="[store]")
    mqtt: MqttTable | None = Field(default=None, description="[mqtt]")


def load_bench(data_dir: Path) -> BenchSettings:
    """Return the settings of a bench's data folder.

    Raises:
        ConfigError: no bench there, or one line for each problem of its file.
    """
    path = data_dir / BENCH_FILE
    if not path.is_file():
        raise ConfigError([f"{data_dir}: no bench here, {BENCH_FILE} is missing; dutylog bench setup makes one"])
    return _checked(*read_toml(path), data_dir)


def parse_bench(text: str, data_dir: Path) -> BenchSettings:
    """Return the settings of a text that is to become the bench.toml of a folder.

    Raises:
        ConfigError: one line for each of its problems.
    """
    try:
        return _checked(text, tomllib.loads(text), data_dir)
    except (tomllib.TOMLDecodeError, RecursionError) as err:
        raise ConfigError([f"{BENCH_FILE}: no TOML ({one_line(err, 80)}); take another one"]) from err


def _checked(text: str, raw: dict[str, Any], data_dir: Path) -> BenchSettings:
    path = data_dir / BENCH_FILE
    report = Report(path, text)
    document, rest = read_as(BenchDocument, raw, report)
    raw_mqtt = raw.get("mqtt")
    check_outputs(raw_mqtt if isinstance(raw_mqtt, dict) else {}, {"mqtt": rest.get("mqtt")}, report)
    if document is not None:
        _check_store(document.store.url, path, report)
        if not _CURRENCY.fullmatch(document.bench.currency):
            report.problem(("bench", "currency"), f"{document.bench.currency[:20]!r}: {_CURRENCY_TEXT}")
        if not report.problems:
            return _settings(document, data_dir, path, report.notes)
    raise ConfigError(report.problems)


def bench_text(name: str, store: str, currency: str, units: str) -> str:
    """Return a bench.toml to start from."""
    return f"""# A bench of dutylog; every key is explained in shared/BENCH_ACCESS.md.
[bench]
name = {quoted(name)}
currency = {quoted(currency)}
units = {quoted(units)}

[pages]
listen = "127.0.0.1"    # "0.0.0.0": tablets in the shop reach the pages too; then tls = true
port = {BENCH_PORT}
tls = false

[store]
url = {quoted(store)}
"""


def with_store(text: str, store: str | None) -> str:
    """Return the text of a bench.toml with another store, None: without any; all else stays as it was typed.

    Raises:
        ConfigError: it is no TOML.
    """
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError) as err:
        raise ConfigError([f"{BENCH_FILE}: no TOML ({one_line(err, 80)}); take another one"]) from err
    document.pop("store", None)
    if store is not None:
        table = tomlkit.table()
        table["url"] = store
        document["store"] = table
    return tomlkit.dumps(document)


def check_currency(text: str) -> str:
    """Return a currency of three capital letters; ConfigError else."""
    if not _CURRENCY.fullmatch(text):
        raise ConfigError([f"currency {text[:20]!r}: {_CURRENCY_TEXT}"])
    return text


def _check_store(url: str, path: Path, report: Report) -> None:
    if url == SQLITE:
        return
    if len(url) > URL_SIGNS:
        report.problem(("store", "url"), f"{len(url)} characters, at most {URL_SIGNS} are allowed")
    elif not url.isprintable() or " " in url:
        report.problem(("store", "url"), f"{one_line(repr(url), 40)}: holds signs that no address has")
    elif not url.startswith(("postgresql://", "postgresql+psycopg://")):
        report.problem(("store", "url"), f'{url[:40]!r}: give "{SQLITE}" or a URL that begins with postgresql://')
    elif _PASSWORD.search(url) and path.exists() and path.stat().st_mode & 0o077:
        report.problem(
            ("store", "url"),
            f"holds a password and others can read {path}; put it where libpq looks (~/.pgpass), or chmod 600 it",
        )


def _settings(document: BenchDocument, data_dir: Path, path: Path, notes: tuple[str, ...]) -> BenchSettings:
    bench, pages = document.bench, document.pages
    return BenchSettings(
        data_dir=data_dir,
        name=bench.name,
        listen=pages.listen,
        port=pages.port,
        tls=pages.tls,
        names=tuple(name.lower().rstrip(".") for name in pages.names),
        store=document.store.url,
        currency=bench.currency,
        units=bench.units,
        mqtt=None if document.mqtt is None else mqtt_settings(document.mqtt, "bench", path),
        notes=tuple(notes),
    )


def quoted(value: Any) -> str:
    """Return a text as a basic string of TOML. Source: TOML 1.0, strings."""
    signs = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in signs) + '"'
