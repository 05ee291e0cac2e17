"""bench.toml: what it may say, and one line for each thing that is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from dutylog.config.bench import BENCH_FILE, bench_text, check_currency, load_bench
from dutylog.errors import ConfigError

WHOLE = """
[bench]
name = "Ridge"
currency = "USD"
units = "us"

[pages]
listen = "0.0.0.0"
port = 9000
tls = true
names = ["bench.local"]

[store]
url = "postgresql://db.local/bench"

[mqtt]
host = "broker.local"
username = "bench"
password_file = "mqtt.pw"
"""


def write(folder: Path, text: str, mode: int = 0o600) -> Path:
    file = folder / BENCH_FILE
    file.write_text(text, encoding="utf-8")
    file.chmod(mode)
    return folder


def test_a_whole_file_is_read(tmp_path: Path) -> None:
    found = load_bench(write(tmp_path, WHOLE))
    assert (found.name, found.currency, found.units) == ("Ridge", "USD", "us")
    assert (found.listen, found.port, found.tls, found.names) == ("0.0.0.0", 9000, True, ("bench.local",))  # noqa: S104
    assert found.store_url == "postgresql://db.local/bench"
    assert found.mqtt is not None
    assert (found.mqtt.host, found.mqtt.client_id) == ("broker.local", "dutylog-bench")
    assert found.mqtt.password_file == tmp_path / "mqtt.pw"


def test_a_name_is_enough(tmp_path: Path) -> None:
    found = load_bench(write(tmp_path, '[bench]\nname = "Ridge"\n'))
    assert (found.listen, found.port, found.tls, found.mqtt) == ("127.0.0.1", 8322, False, None)
    assert found.store_url == f"sqlite:///{tmp_path}/bench.sqlite"


@pytest.mark.parametrize("name", ['Ridge "North"', "C:\\x", "Zoë & Söhne", "a = 1 # b", "{}"])
def test_what_setup_writes_is_read_back(tmp_path: Path, name: str) -> None:
    """Whatever a shop is called."""
    assert load_bench(write(tmp_path, bench_text(name, "sqlite", "EUR", "metric"))).name == name


@pytest.mark.parametrize("name", ["Tab\tle", "[x]\n[y]"])
def test_a_name_that_no_file_may_have_is_refused_by_its_key(tmp_path: Path, name: str) -> None:
    with pytest.raises(ConfigError, match=r"bench\.name"):
        load_bench(write(tmp_path, bench_text(name, "sqlite", "EUR", "metric")))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "bench"),
        ("[bench]\nname = 7\n", "name"),
        ("[bench]\nname = 'a'\ncolour = 'red'\n", "colour"),
        ("[bench]\nname = 'a'\ncurrency = 'euro'\n", "currency"),
        ("[bench]\nname = 'a'\nunits = 'both'\n", "units"),
        ("[bench]\nname = 'a'\n[pages]\nport = 70000\n", "port"),
        ("[bench]\nname = 'a'\n[pages]\nlisten = '127.0.0.1'\ncolour = 1\n", "colour"),
        ("[bench]\nname = 'a'\n[store]\nurl = 'mysql://x/y'\n", "store.url"),
        ("[bench]\nname = 'a'\n[mqtt]\nhost = 'b'\npassword_file = 'p'\n", "username"),
        ("[bench]\nname = 'a'\n[ledger]\n", "ledger"),
        ("not toml", "bench.toml"),
        ("[bench\n", "bench.toml"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words) as caught:
        load_bench(write(tmp_path, text))
    assert all(len(line) < 400 for line in caught.value.problems)


@pytest.mark.parametrize("url", ["postgresql://me:secret@db/bench", "postgresql://db/bench?user=me&password=secret"])
def test_a_password_in_a_file_that_others_read_is_refused_and_not_repeated(tmp_path: Path, url: str) -> None:
    text = f'[bench]\nname = "a"\n[store]\nurl = "{url}"\n'
    with pytest.raises(ConfigError, match="holds a password") as caught:
        load_bench(write(tmp_path, text, 0o644))
    assert "secret" not in str(caught.value)
    assert load_bench(write(tmp_path, text, 0o600)).store == url


def test_a_folder_without_a_bench_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="dutylog bench setup makes one"):
        load_bench(tmp_path / "nothing")


@pytest.mark.parametrize("text", ["", "eur", "EURO", "E1R", "€"])
def test_a_currency_is_three_capital_letters(text: str) -> None:
    assert check_currency("CHF") == "CHF"
    with pytest.raises(ConfigError, match="three capital letters"):
        check_currency(text)
