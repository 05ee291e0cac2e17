"""Commands over the socket: hostile bytes, effects for the engine, the lock, and no daemon at all."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dutylog.errors import InputError, LedgerError
from dutylog.ledger.client import run_command, send_command
from dutylog.ledger.command import COMMANDS, LINE_LIMIT, apply_command, encode_line, parse_request
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.lock import DataLock
from dutylog.sockets import CORE, unix_address
from ledger.builders import fill, make_vehicle, open_ledger

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=80),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner, max_size=3),
    max_leaves=6,
)
FIELDS = st.sampled_from(["schema", "command", "unit", "serial", "profile", "note", "position", "trip", "name", "x"])


@given(st.binary(max_size=200))
@example(b'{"schema":1,"command":"ping"}' * 3000)
@example(b"[" * 60_000)
@example(b'{"schema":NaN,"command":"ping"}')
@example(b'{"schema":1,"schema":1,"command":"ping"}')
@example(b'{"schema":1e999,"command":"ping"}')
@example(b'{"schema":1,"command":"rename_trip","trip":' + b"9" * 5000 + b"}")
@example(b'{"schema":1,"command":"remove","unit":"\\ud800"}')
@example(b"\xff\xfe")
def test_any_bytes_are_refused_in_one_line(line: bytes) -> None:
    """Whoever may open the socket may send anything; the sampling process must not notice."""
    with pytest.raises(InputError) as refused:
        parse_request(line)
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < 300


@given(st.dictionaries(FIELDS, JSON, max_size=6), st.sampled_from(sorted(COMMANDS)))
def test_any_object_is_checked_or_refused(request: dict[str, object], command: str) -> None:
    """What passes has exactly the fields of its command, each within its bounds."""
    request |= {"schema": 1, "command": command}
    try:
        checked = parse_request(json.dumps(request).encode())
    except InputError:
        return
    assert set(checked) == {"schema", "command", *COMMANDS[command]}
    for name, rule in COMMANDS[command].items():
        value = checked[name]
        assert value is not None or not rule.is_required
        if isinstance(value, str):
            assert 0 < len(value) <= rule.limit
            assert value.isprintable()


@pytest.mark.parametrize(
    ("request_line", "words"),
    [
        ({"schema": 2, "command": "ping"}, "schema 2, this version knows 1"),
        ({"schema": True, "command": "ping"}, "schema True"),
        ({"schema": 1, "command": "instal"}, "the nearest known is install"),
        ({"schema": 1, "command": "install", "unit": "SN-1"}, "position is missing"),
        ({"schema": 1, "command": "remove", "units": "SN-1"}, "unknown field 'units'; the nearest known is unit"),
        ({"schema": 1, "command": "rename_trip", "trip": 0}, "0 is no whole number from 1"),
        ({"schema": 1, "command": "rename_trip", "trip": True}, "True is no whole number"),
        ([], "no JSON object"),
    ],
)
def test_refusal_says_what_is_wrong(request_line: object, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_request(json.dumps(request_line).encode())


def test_commands_do_it_and_hand_the_engine_its_events(ledger: Ledger, unit_ids: list[str]) -> None:
    """An install the engine doesn't learn of would count one damper's work for another."""
    added = apply_command(ledger, {"schema": 1, "command": "add", "serial": "SN-5", "profile": "desert"})
    assert added.reply["ok"] is True
    assert added.effects == ()
    new_id = added.reply["unit_id"]
    removed = apply_command(ledger, {"schema": 1, "command": "remove", "unit": "SN-2"}, sequence=70)
    installed = apply_command(
        ledger, {"schema": 1, "command": "install", "unit": "SN-5", "position": "front_right"}, sequence=71
    )
    assert [(e.kind, e.data) for e in removed.effects + installed.effects] == [
        ("remove", {"position": "front_right", "unit_id": unit_ids[1]}),
        ("install", {"position": "front_right", "unit_id": new_id, "serial": "SN-5", "profile": "desert"}),
    ]
    assert ledger.installs_of(unit_ids[1])[0].to_sequence == 70
    assert ledger.installs_of(new_id)[0].from_sequence == 71


def test_refused_command_has_no_effect_and_one_line(ledger: Ledger, unit_ids: list[str]) -> None:
    before = ledger.entries()
    for request in (
        {"schema": 1, "command": "install", "unit": "SN-1", "position": "rear_left"},
        {"schema": 1, "command": "add", "serial": "SN-9", "profile": "dessert"},
        {"schema": 1, "command": "rename_trip", "trip": 9, "name": "x"},
        {"schema": 1, "command": "remove", "unit": "SN-12"},
        {"command": "ping"},
    ):
        applied = apply_command(ledger, request)
        assert set(applied.reply) == {"schema", "ok", "error"}
        assert applied.reply["ok"] is False
        assert "\n" not in applied.reply["error"]
        assert applied.effects == ()
    assert ledger.entries() == before


def test_second_holder_learns_who_holds_the_lock(tmp_path: Path) -> None:
    """Two writers would break the promise that totals are stored, not added."""
    code = (
        "import sys; from pathlib import Path; from dutylog.ledger.lock import DataLock\n"
        "DataLock(Path(sys.argv[1])).acquire(); print('held', flush=True); sys.stdin.read()"
    )
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen([sys.executable, "-c", code, tmp_path], **pipes) as holder:  # type: ignore[call-overload]
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(LedgerError, match=f"in use by process {holder.pid}; wait for it or stop it"):
            DataLock(tmp_path).acquire()
        with pytest.raises(LedgerError, match="in use by process"):
            run_command(tmp_path, {"command": "add", "serial": "SN-1", "profile": "desert"})
        holder.kill()
    assert not (tmp_path / "ledger.sqlite").exists()
    # the kernel lets go of a dead process's lock; the file it left is no obstacle
    lock = DataLock(tmp_path)
    with lock:
        assert lock.path.read_text() == f"{os.getpid()}\n"
        with pytest.raises(LedgerError, match="held by this very process"):
            lock.acquire()
    lock.release()
    with DataLock(tmp_path):
        pass
    with pytest.raises(LedgerError, match="can't be opened"):
        DataLock(tmp_path / "nowhere").acquire()


@contextmanager
def daemon(folder: Path, answer: Callable[[bytes], bytes]) -> Iterator[list[bytes]]:
    """Listen like the daemon; `answer` turns the request into what is sent before hanging up."""
    got: list[bytes] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        with unix_address(folder, CORE) as address:
            listener.bind(address)
        listener.listen(1)

        def serve() -> None:
            end, _ = listener.accept()
            with end, end.makefile("rb") as lines:
                got.append(lines.readline())
                end.sendall(answer(got[0]))

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield got
        finally:
            thread.join(10)
            assert not thread.is_alive()


@pytest.mark.parametrize("depth", [0, 12])
def test_client_sends_one_line_and_takes_the_answer(tmp_path: Path, depth: int) -> None:
    """Also from a folder so deep that its path doesn't fit a socket address."""
    folder = tmp_path.joinpath(*["deep_folder"] * depth)
    folder.mkdir(parents=True, exist_ok=True)
    with daemon(folder, lambda line: encode_line({"ok": True, "got": json.loads(line)["unit"]})) as got:
        assert send_command(folder, {"command": "remove", "unit": "SN-1"}) == {"ok": True, "got": "SN-1"}
    assert got == [b'{"schema":1,"command":"remove","unit":"SN-1"}\n']


def test_no_daemon_is_none_and_a_stale_socket_too(tmp_path: Path) -> None:
    assert send_command(tmp_path, {"command": "ping"}) is None
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(tmp_path / "core.sock"))
    assert send_command(tmp_path, {"command": "ping"}) is None


@pytest.mark.parametrize(
    "reply", [b"", b'{"ok":true}', b"[1]\n", b"x" * (LINE_LIMIT + 1), b"\xff\n", b"[" * 60_000 + b"\n"]
)
def test_strange_answer_is_an_error(tmp_path: Path, reply: bytes) -> None:
    with daemon(tmp_path, lambda _line: reply), pytest.raises(LedgerError, match=r"no proper answer|hung up"):
        send_command(tmp_path, {"command": "ping"})


def test_silent_daemon_is_not_waited_for(tmp_path: Path) -> None:
    """A hung daemon must not hang the person's terminal, nor make them repeat a change that was made."""
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "core.sock"))
        listener.listen(1)
        with pytest.raises(LedgerError, match=r"didn't answer within 0\.05 s; the change may still be made"):
            send_command(tmp_path, {"command": "ping"}, limit_s=0.05)


def test_without_daemon_the_change_is_made_here_from_the_cursor_on(tmp_path: Path) -> None:
    from dutylog.ledger.rows import Commit

    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        ledger.remove(ids[0])
        ledger.commit(Commit(sequence=33, engine="1", hot={}))
    reply = run_command(tmp_path, {"command": "install", "unit": "SN-1", "position": "front_left"}, make_vehicle())
    assert reply["text"] == "damper SN-1 counts at front_left from now on"
    with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as ledger:
        assert ledger.installs_of(ids[0])[-1].from_sequence == 33
        assert ledger.entries(1)[0].sequence == 33
    with pytest.raises(LedgerError, match="is installed at front_left"):
        run_command(tmp_path, {"command": "install", "unit": "SN-1", "position": "front_left"})
