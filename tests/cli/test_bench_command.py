"""`dutylog bench` as people type it: setting up, accounts, cards, copies, and the pages as a process."""

from __future__ import annotations

import io
import re
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from bench.card_made import Yard, signed_anew, stranger
from bench.store.store_on import Cluster, cluster, needs_postgres
from dutylog.bench.canonical import encode_file
from dutylog.bench.keys import BENCH_KEY_FILE, encode_key, key_words, make_private_key, read_key
from dutylog.bench.store.store import Store
from dutylog.cli.main import main
from dutylog.config.bench import BENCH_FILE, load_bench

__all__ = ["cluster"]
TYPED = "seven dusty miles"
PHRASE = "four brave grey geese"


class Shop:
    """A bench's folder and the command that works on it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        self._capsys = capsys
        self._monkeypatch = monkeypatch

    def run(self, status: int, *words: str, typed: str = "") -> tuple[str, str]:
        """Return what a command says; words before the folder's option."""
        self._monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        assert main(["bench", *words, "--data", str(self.folder)]) == status, self._capsys.readouterr()
        told = self._capsys.readouterr()
        assert TYPED not in told.out + told.err
        assert "Traceback" not in told.err
        return told.out, told.err

    def entries(self, kind: str) -> list[dict[str, object]]:
        with Store.open(load_bench(self.folder).store_url) as store, store.read() as reading:
            return [dict(one.data) for one in reading.entries(None, 200, kind)]


@pytest.fixture
def shop(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shop:
    made = Shop(tmp_path / "bench", capsys, monkeypatch)
    made.run(0, "setup", "--name", "Ridge", "--manager", "Mona", "--currency", "USD", typed=TYPED + "\n")
    return made


def test_setup_makes_a_private_folder_with_key_store_and_manager(shop: Shop) -> None:
    assert stat.S_IMODE(shop.folder.stat().st_mode) == 0o700
    for name in (BENCH_FILE, BENCH_KEY_FILE, "bench.sqlite"):
        assert stat.S_IMODE((shop.folder / name).stat().st_mode) & 0o077 == 0, name
    key = read_key(shop.folder / BENCH_KEY_FILE)
    assert key is not None
    assert [one["key_id"] for one in shop.entries("bench_put")] == [key.key_id]
    assert shop.run(0, "account", "list")[0].split() == ["Mona", "manager", "open"]
    assert TYPED.encode() not in (shop.folder / "bench.sqlite").read_bytes()
    out, err = shop.run(2, "setup", "--name", "Other", typed=TYPED + "\n")
    assert (out, err.count("\n")) == ("", 1)
    assert "a bench is set up here already" in err


@pytest.mark.parametrize(
    ("words", "typed", "line"),
    [
        (("--name", "Ridge"), "", "no line came"),
        (("--name", "Ridge"), "short\n", "password: 5 characters"),
        (("--name", ""), TYPED + "\n", "name of the bench"),
        (("--name", "Ridge", "--currency", "euro"), TYPED + "\n", "three capital letters"),
        (("--name", "Ridge", "--manager", "x" * 50), TYPED + "\n", "name"),
        (("--name", "Ridge", "--store", "mysql://x"), TYPED + "\n", "store.url"),
        (("--name", "Ridge", "--store", "postgresql://127.0.0.1:1/none"), TYPED + "\n", "127.0.0.1"),
    ],
)
def test_a_setup_that_can_not_be_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...], typed: str, line: str,
) -> None:  # fmt: skip
    shop = Shop(tmp_path / "bench", capsys, monkeypatch)
    out, err = shop.run(2, "setup", *words, typed=typed)
    assert (out, err.count("\n")) == ("", 1)
    assert line in err


def test_a_setup_that_was_broken_off_is_done_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = Shop(tmp_path / "bench", capsys, monkeypatch)
    shop.run(2, "setup", "--name", "Ridge", "--manager", "x" * 50, typed=TYPED + "\n")
    shop.run(0, "setup", "--name", "Ridge", typed=TYPED + "\n")
    assert "manager" in shop.run(0, "account", "list")[0]


def test_accounts_are_added_closed_and_opened_again(shop: Shop) -> None:
    shop.run(0, "account", "add", "Theo", typed=TYPED + "\n")
    assert "is there already" in shop.run(2, "account", "add", "THEO", typed=TYPED + "\n")[1]
    shop.run(0, "account", "disable", "theo")
    assert "Theo                    technician  closed" in shop.run(0, "account", "list")[0]
    shop.run(0, "account", "password", "Theo", "--role", "viewer", typed="another fine word\n")
    assert "Theo                    viewer      open" in shop.run(0, "account", "list")[0]
    assert "last manager" in shop.run(2, "account", "disable", "Mona")[1]
    assert "known: Mona, Theo" in shop.run(2, "account", "password", "Thea", typed=TYPED + "\n")[1]
    assert all("another" not in str(one) for one in shop.entries("account_put"))


def test_a_card_is_taken_in_or_refused_with_every_reason(shop: Shop, tmp_path: Path) -> None:
    yard = Yard(tmp_path / "vehicle")
    first, second = yard.issue("SN-1"), yard.issue("SN-1")
    file = tmp_path / "one.card.json"
    file.write_bytes(encode_file(second))
    out, err = shop.run(0, "import", str(file))
    assert out == "card 2 of SN-1 is here, job 1\n"
    assert "note: first card of this vehicle here" in err
    assert "was taken in before" in shop.run(0, "import", str(file))[1]
    file.write_bytes(encode_file(first))
    assert "one.card.json: " in shop.run(2, "import", str(file))[1]
    file.write_bytes(encode_file(signed_anew(second, stranger())))
    assert "somebody signed it anew" in shop.run(2, "import", str(file))[1]
    file.write_bytes(b"{")
    assert shop.run(2, "import", str(file))[1].count("\n") == 1
    assert "No such file" in shop.run(2, "import", str(tmp_path / "none"))[1]
    file.write_bytes(encode_file(first))
    for more in (("--accept", "older", "--why", "so"), ("--accept", "key_changed")):
        assert "needs a manager and a reason" in shop.run(2, "import", str(file), *more)[1]
    assert len(shop.entries("card_imported")) == 1


def test_a_copy_with_the_key_makes_the_same_bench_again(shop: Shop, tmp_path: Path) -> None:
    shop.run(0, "account", "add", "Theo", typed=TYPED + "\n")
    copy = tmp_path / "copy.zip"
    assert "passphrase: 5 characters" in shop.run(2, "backup", str(copy), "--with-key", typed="short\n")[1]
    assert not copy.exists()
    assert "under its passphrase" in shop.run(0, "backup", str(copy), "--with-key", typed=PHRASE + "\n")[0]
    assert "is there already" in shop.run(2, "backup", str(copy))[1]
    other = Shop(tmp_path / "again", shop._capsys, shop._monkeypatch)
    assert "passphrase is wrong" in other.run(2, "restore", str(copy), typed="four brave grey ducks\n")[1]
    assert "new one is" not in other.run(0, "restore", str(copy), typed=PHRASE + "\n")[0]
    key, again = read_key(shop.folder / BENCH_KEY_FILE), read_key(other.folder / BENCH_KEY_FILE)
    assert key is not None
    assert again is not None
    assert key.key_id == again.key_id
    assert load_bench(other.folder).name == "Ridge"
    assert "Theo" in other.run(0, "account", "list")[0]
    assert other.entries("bench_put") == shop.entries("bench_put")
    assert "all as they were written" in other.run(0, "verify")[0]
    assert "a bench is here already" in other.run(2, "restore", str(copy), typed=PHRASE + "\n")[1]


def test_a_copy_without_the_key_gets_a_new_one_and_says_so(shop: Shop, tmp_path: Path) -> None:
    copy = tmp_path / "copy.zip"
    assert "not the bench's key" in shop.run(0, "backup", str(copy))[0]
    other = Shop(tmp_path / "again", shop._capsys, shop._monkeypatch)
    out = other.run(0, "restore", str(copy))[0]
    assert re.search(r"the new one is ([0-9a-f]{4} ?){4}; vehicles ask", out)
    ids = {str(one["bench_id"]) for one in other.entries("bench_put")}
    assert len(ids) == 1
    assert len(other.entries("bench_put")) == 2
    assert shop.entries("looked_at")[0]["what"] == "backup of 2 entries"


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04 nonsense", b"x" * 3000])
def test_a_copy_that_is_none_makes_nothing(shop: Shop, tmp_path: Path, data: bytes) -> None:
    copy = tmp_path / "copy.zip"
    copy.write_bytes(data)
    other = Shop(tmp_path / "again", shop._capsys, shop._monkeypatch)
    assert other.run(2, "restore", str(copy))[1].count("\n") == 1
    assert not (other.folder / BENCH_FILE).exists()


def test_verify_names_the_entry_that_was_changed(shop: Shop) -> None:
    assert "2 entries and 0 photos" in shop.run(0, "verify")[0]
    with sqlite3.connect(shop.folder / "bench.sqlite") as connection:
        connection.execute("UPDATE entry SET who = 'somebody' WHERE row = 2")
    connection.close()
    assert "broken at entry 2" in shop.run(2, "verify")[1]


def test_a_folder_without_a_bench_and_a_damaged_one_are_one_line(shop: Shop, tmp_path: Path) -> None:
    nothing = Shop(tmp_path / "nothing", shop._capsys, shop._monkeypatch)
    for words in (("serve",), ("verify",), ("account", "list"), ("backup", str(tmp_path / "c.zip"))):
        err = nothing.run(2, *words)[1]
        assert err.count("\n") == 1
        assert "dutylog bench setup makes one" in err
    (shop.folder / "bench.sqlite").write_bytes(b"not a database" * 400)
    for words in (("serve", "--port", "0"), ("account", "list")):
        assert shop.run(2, *words)[1].count("\n") == 1


def test_the_pages_run_as_a_process_and_end_cleanly(shop: Shop) -> None:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "dutylog.cli.main", "bench", "serve", "--data", str(shop.folder)]
    process = subprocess.Popen(
        [*command, "--port", str(port)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == f"pages ready: http://127.0.0.1:{port}/\n"
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=30) as client:
            assert client.get("/").headers["location"] == "/sign-in?next=%2F"
            answer = client.post("/sign-in", data={"name": "Mona", "password": TYPED})
            assert (answer.status_code, answer.headers["location"]) == (303, "/")
            assert "Nothing is on the bench" in client.get("/").text
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=30)
        assert (process.returncode, out) == (0, "")
        assert err == "dutylog bench: sign-in from 127.0.0.1: Mona\n"
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()


def test_a_lost_or_foreign_key_stops_the_pages_and_is_put_back_or_made_anew(shop: Shop, tmp_path: Path) -> None:
    """Vehicles know the key: none is ever made silently."""
    path, copy = shop.folder / BENCH_KEY_FILE, tmp_path / "bench.key"
    first = read_key(path)
    assert first is not None
    assert "passphrase: 5 characters" in shop.run(2, "key", "--backup", str(copy), typed="short\n")[1]
    assert "under its passphrase" in shop.run(0, "key", "--backup", str(copy), typed=PHRASE + "\n")[0]
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    assert "is there already" in shop.run(2, "key", "--backup", str(copy), typed=PHRASE + "\n")[1]
    path.unlink()
    for words in (("serve", "--port", "0"), ("key",), ("backup", str(tmp_path / "c.zip"), "--with-key")):
        err = shop.run(2, *words, typed=PHRASE + "\n")[1]
        assert (err.count("\n"), "gone; the bench's is" in err, "bench key --restore" in err) == (1, True, True)
    assert not path.exists()
    assert "passphrase is wrong" in shop.run(2, "key", "--restore", str(copy), typed="other brave grey geese\n")[1]
    assert key_words(first.key_id) in shop.run(0, "key", "--restore", str(copy), typed=PHRASE + "\n")[0]
    assert "kept as" in shop.run(0, "key", "--new")[0]
    second = read_key(path)
    assert second is not None
    assert [one["key_id"] for one in shop.entries("bench_put")] == [second.key_id, first.key_id]
    assert read_key(shop.folder / f"bench_key.before-{first.key_id}.pem") is not None
    assert "holds another key" in shop.run(2, "key", "--restore", str(copy), typed=PHRASE + "\n")[1]
    path.write_bytes((shop.folder / f"bench_key.before-{first.key_id}.pem").read_bytes())
    assert "is another one; the bench's is" in shop.run(2, "serve", "--port", "0")[1]
    for text in (b"", b"dutylog {}\n", b"dutylog [1]\n", b"\xff", b"x" * 9000):
        copy.write_bytes(text)
        assert "no copy of a bench's key" in shop.run(2, "key", "--restore", str(copy), typed=PHRASE + "\n")[1]


def test_a_store_that_is_gone_is_not_made_anew(shop: Shop) -> None:
    """An empty one would hide that the disk isn't there."""
    (shop.folder / "bench.sqlite").unlink()
    for words in (("serve", "--port", "0"), ("account", "list"), ("verify",), ("key",)):
        assert "there is no store" in shop.run(2, *words)[1]
    assert not (shop.folder / "bench.sqlite").exists()


def test_another_computer_joins_by_the_key_and_by_nothing_else(shop: Shop, tmp_path: Path) -> None:
    """And never in a folder that is a bench already."""
    copy = tmp_path / "bench.key"
    shop.run(0, "key", "--backup", str(copy), typed=PHRASE + "\n")
    other = Shop(tmp_path / "other", shop._capsys, shop._monkeypatch)
    assert "there is no" in other.run(2, "setup", "--join", str(copy), typed=PHRASE + "\n")[1]
    assert "no copy of a bench's key" in other.run(2, "setup", "--join", str(shop.folder / BENCH_FILE))[1]
    assert "a bench is here already" in shop.run(2, "setup", "--join", str(copy), typed=PHRASE + "\n")[1]
    assert not other.folder.exists()


@needs_postgres
def test_two_computers_work_on_one_store(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, cluster: Cluster
) -> None:
    """One key and one bench, whichever starts first; whoever comes without the key changes nothing."""
    monkeypatch.setenv("PGPASSFILE", str(cluster.password_file))
    url, copy = cluster.new_url().split("?")[0], tmp_path / "bench.key"
    one, two, three = (Shop(tmp_path / name, capsys, monkeypatch) for name in ("one", "two", "three"))
    one.run(0, "setup", "--name", "Ridge", "--store", url, "--currency", "USD", typed=TYPED + "\n")
    one.run(0, "key", "--backup", str(copy), typed=PHRASE + "\n")
    assert (
        "a bench is set up here already" in two.run(2, "setup", "--name", "Two", "--store", url, typed=TYPED + "\n")[1]
    )
    assert list(two.folder.iterdir()) == []
    assert "passphrase is wrong" in two.run(2, "setup", "--store", url, "--join", str(copy), typed=TYPED + "\n")[1]
    assert (
        "works on bench Ridge too" in two.run(0, "setup", "--store", url, "--join", str(copy), typed=PHRASE + "\n")[0]
    )
    keys = [read_key(shop.folder / BENCH_KEY_FILE) for shop in (one, two)]
    assert keys[0] is not None
    assert keys[1] is not None
    assert keys[0].key_id == keys[1].key_id
    assert load_bench(two.folder).currency == "USD"
    two.run(0, "account", "add", "Theo", typed=TYPED + "\n")
    assert "Theo" in one.run(0, "account", "list")[0]
    for shop in (one, two, one):
        assert key_words(keys[0].key_id) in shop.run(0, "key")[0]
    assert len(one.entries("bench_put")) == 1
    one.run(0, "key", "--new")
    assert "is another one" in two.run(2, "serve", "--port", "0")[1]
    assert (
        "holds another key than that of bench Ridge"
        in (three.run(2, "setup", "--store", url, "--join", str(copy), typed=PHRASE + "\n")[1])
    )
    assert not three.folder.exists()
    cluster.take_back()


def test_a_restore_brings_settings_and_may_be_tried_again(shop: Shop, tmp_path: Path) -> None:
    """A damaged backup, a wrong passphrase and a kill leave a folder that the good one goes into."""
    toml = shop.folder / BENCH_FILE
    more = 'tls = false\nnames = ["bench.local"]\n'
    broker = '\n[mqtt]\nhost = "broker.local"\n'
    toml.write_text(toml.read_text(encoding="utf-8").replace("tls = false\n", more) + broker, encoding="utf-8")
    good, bad = tmp_path / "good.zip", tmp_path / "bad.zip"
    shop.run(0, "backup", str(good), "--with-key", typed=PHRASE + "\n")
    with zipfile.ZipFile(good) as source, zipfile.ZipFile(bad, "w") as target:
        for name in source.namelist():
            target.writestr(name, source.read(name).replace(b"Ridge", b"Budge"))
        assert b"store" not in source.read(BENCH_FILE).replace(b"shared", b"").split(b"[pages]")[1]
    other = Shop(tmp_path / "again", shop._capsys, shop._monkeypatch)
    assert "passphrase is wrong" in other.run(2, "restore", str(good), typed="four brave grey ducks\n")[1]
    assert not other.folder.exists()
    assert "is not as it was written" in other.run(2, "restore", str(bad), typed=PHRASE + "\n")[1]
    assert list(other.folder.iterdir()) == []
    killed(lambda: other.run(0, "restore", str(good), typed=PHRASE + "\n"), shop._monkeypatch)
    assert not (other.folder / "bench.sqlite").exists()
    other.run(0, "restore", str(good), typed=PHRASE + "\n")
    assert sorted(one.name for one in other.folder.iterdir()) == ["bench.sqlite", BENCH_FILE, BENCH_KEY_FILE]
    found, before = load_bench(other.folder), load_bench(shop.folder)
    assert (found.name, found.currency, found.units, found.names, found.mqtt) == (
        before.name, "USD", before.units, ("bench.local",), before.mqtt,
    )  # fmt: skip
    assert found.mqtt is not None
    assert "all as they were written" in other.run(0, "verify")[0]
    stray = Shop(tmp_path / "stray", shop._capsys, shop._monkeypatch)
    stray.folder.mkdir()
    (stray.folder / BENCH_KEY_FILE).write_bytes(encode_key(make_private_key(), 0))
    (stray.folder / BENCH_KEY_FILE).chmod(0o600)
    assert "another key stands there" in stray.run(2, "restore", str(good), typed=PHRASE + "\n")[1]


def killed(act: Callable[[], object], monkeypatch: pytest.MonkeyPatch) -> None:
    """Do something that ends as a kill ends it, just before the store gets its name."""

    def end(*_words: object) -> None:
        raise SystemExit(137)

    with monkeypatch.context() as patched:
        patched.setattr("dutylog.web.bench.restoring._give_name", end)
        patched.setattr("dutylog.web.bench.restoring._drop", lambda _part: None)
        with pytest.raises((SystemExit, AssertionError)):
            act()


@needs_postgres
def test_a_wrong_passphrase_leaves_a_server_empty(
    shop: Shop, tmp_path: Path, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PGPASSFILE", str(cluster.password_file))
    url, copy = cluster.new_url().split("?")[0], tmp_path / "copy.zip"
    shop.run(0, "backup", str(copy), "--with-key", typed=PHRASE + "\n")
    other = Shop(tmp_path / "again", shop._capsys, shop._monkeypatch)
    to = ("--store", url)
    assert "passphrase is wrong" in other.run(2, "restore", str(copy), *to, typed="four brave grey ducks\n")[1]
    assert "4 entries" not in other.run(0, "restore", str(copy), *to, typed=PHRASE + "\n")[0]
    assert other.entries("bench_put") == shop.entries("bench_put")
    again = Shop(tmp_path / "third", shop._capsys, shop._monkeypatch)
    assert "into an empty store only" in again.run(2, "restore", str(copy), *to, typed=PHRASE + "\n")[1]
    assert not (again.folder / BENCH_FILE).exists()
    cluster.take_back()


def test_verify_names_a_table_that_was_changed_and_makes_it_again(shop: Shop) -> None:
    with sqlite3.connect(shop.folder / "bench.sqlite") as connection:
        connection.execute("UPDATE account SET role = 'viewer'")
    connection.close()
    out, err = shop.run(2, "verify")
    assert "table account is not what the entries say" in err
    assert "all tables made again from 2 entries" in shop.run(0, "verify", "--rebuild")[0]
    assert "Mona" in shop.run(0, "account", "list")[0]
    assert shop.run(0, "verify")[1] == ""
    assert "all as they were written" in out


@pytest.mark.parametrize("host", ["db.local/" + "bench" * 20, "db.local/" + "x" * 2000])
def test_a_long_address_is_taken_or_refused_before_anything_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, host: str
) -> None:
    shop = Shop(tmp_path / "bench", capsys, monkeypatch)
    err = shop.run(2, "setup", "--name", "R", "--store", f"postgresql://{host}", typed=TYPED + "\n")[1]
    assert ("can't be reached" in err) == (len(host) < 1000)
    assert not (shop.folder / BENCH_FILE).exists()
    assert not (shop.folder / BENCH_KEY_FILE).exists()
