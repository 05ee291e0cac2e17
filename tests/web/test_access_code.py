"""The access code on disk, how often it may be tried, and who is signed in."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.clock import ManualClock
from dutylog.errors import ConfigError, InputError
from dutylog.web.access_code import (
    ACCESS_FILE,
    SCRYPT_N,
    SCRYPT_P,
    SCRYPT_R,
    AccessStore,
    clear_code,
    hash_code,
    read_code,
    write_code,
)
from dutylog.web.access_limit import (
    BURST_COUNT,
    FREE_COUNT,
    LONGEST_WAIT_S,
    MOST_ADDRESSES,
    MOST_KNOWN,
    REFILL_S,
    SignInLimit,
    address_key,
)
from dutylog.web.access_sessions import IDLE_S, LONGEST_S, MOST_SESSIONS, Sessions
from web.access_parts import CODE, quick_code


def test_a_code_is_kept_hashed_in_a_file_for_its_owner_alone(tmp_path: Path) -> None:
    """Whoever gets a copy of the folder must still guess."""
    write_code(tmp_path, hash_code(CODE, 5, True))
    path = tmp_path / ACCESS_FILE
    kept = json.loads(path.read_text(encoding="ascii"))
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert CODE not in path.read_text(encoding="ascii")
    assert (kept["n"], kept["r"], kept["p"]) == (SCRYPT_N, SCRYPT_R, SCRYPT_P)
    again = hashlib.scrypt(
        CODE.encode(), salt=bytes.fromhex(kept["salt"]), n=SCRYPT_N, r=SCRYPT_R, p=SCRYPT_P, maxmem=2**26, dklen=32
    )
    assert again.hex() == kept["digest"]
    assert [p.name for p in tmp_path.iterdir()] == [ACCESS_FILE]
    found = read_code(tmp_path)
    assert found is not None
    assert found.matches(CODE)
    assert not found.matches(CODE + "x")


def test_the_same_code_set_twice_has_another_salt() -> None:
    """Else two loggers with one code would show it."""
    first, second = hash_code(CODE, 0, False), hash_code(CODE, 0, False)
    assert first.salt != second.salt
    assert first.digest != second.digest


@pytest.mark.parametrize(
    "code", ["", "seven", "1234567", "x" * 129, "aaaaaaaaaa", "1212121212", "seven\x00dusty", "a\tb\tc\td\te"]
)
def test_a_code_that_is_no_code_is_refused_without_being_quoted(code: str) -> None:
    """The line may end in a log."""
    with pytest.raises(InputError) as caught:
        hash_code(code, 0, True)
    assert len(code) < 3 or code not in str(caught.value)


def test_keyboards_that_compose_letters_otherwise_give_the_same_code() -> None:
    """One phone sends an umlaut as one sign, another as two; and many add a blank."""
    code = quick_code("grün über alles"[:12])
    assert code.matches("gru\u0308n u\u0308ber al"[:15])
    assert code.matches("  grün über al ")
    assert not code.matches("grun uber al")


def test_a_file_that_others_can_read_lets_nobody_in(tmp_path: Path) -> None:
    """It may have been copied, or put there by somebody else."""
    write_code(tmp_path, quick_code())
    os.chmod(tmp_path / ACCESS_FILE, 0o644)
    with pytest.raises(ConfigError, match="chmod 600"):
        read_code(tmp_path)
    store = AccessStore(tmp_path)
    assert store.current() is None
    assert "chmod 600" in store.problem
    os.chmod(tmp_path / ACCESS_FILE, 0o600)
    assert store.current() is not None
    assert store.problem == ""


@pytest.mark.parametrize(
    "change",
    [
        {"n": 2**30},
        {"n": 3},
        {"n": 0},
        {"r": 10**6},
        {"p": 10**9},
        {"salt": ""},
        {"digest": "00"},
        {"digest": "zz" * 32},
        {"kind": "plain"},
        {"schema": 2},
        {"schema": True},
        {"set_utc_ns": None},
        {"salt": 5},
    ],
)
def test_a_damaged_file_lets_nobody_in(tmp_path: Path, change: dict[str, object]) -> None:
    """And takes no memory that it asks for."""
    write_code(tmp_path, quick_code())
    path = tmp_path / ACCESS_FILE
    path.write_text(json.dumps(json.loads(path.read_text()) | change), encoding="ascii")
    with pytest.raises(ConfigError, match="damaged"):
        read_code(tmp_path)


@given(data=st.binary(max_size=200))
def test_any_bytes_in_the_file_are_an_error_or_none(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Nothing in it may end the page process."""
    folder = tmp_path_factory.mktemp("any")
    (folder / ACCESS_FILE).write_bytes(data)
    os.chmod(folder / ACCESS_FILE, 0o600)
    store = AccessStore(folder)
    assert store.current() is None
    assert store.problem


def test_a_link_in_place_of_the_file_is_followed_to_a_checked_file_only(tmp_path: Path) -> None:
    """A link to somebody's own readable file would be a way in."""
    other = tmp_path / "other"
    write_code(tmp_path, quick_code())
    (tmp_path / ACCESS_FILE).rename(other)
    os.chmod(other, 0o644)
    (tmp_path / ACCESS_FILE).symlink_to(other)
    assert AccessStore(tmp_path).current() is None


def test_a_change_is_seen_without_a_restart(tmp_path: Path) -> None:
    """The page process runs for weeks."""
    store = AccessStore(tmp_path)
    assert store.current() is None
    write_code(tmp_path, quick_code("first code here"))
    first = store.current()
    assert first is not None
    assert first.matches("first code here")
    write_code(tmp_path, quick_code("second code here", b"f" * 16))
    second = store.current()
    assert second is not None
    assert not second.matches("first code here")
    assert clear_code(tmp_path)
    assert store.current() is None
    assert not clear_code(tmp_path)


def test_a_folder_that_takes_no_file_is_told_in_one_line(tmp_path: Path) -> None:
    """A read-only card."""
    with pytest.raises(ConfigError, match="can't be written") as caught:
        write_code(tmp_path / "nowhere", quick_code())
    assert "\n" not in str(caught.value)


def test_four_wrong_codes_are_free_then_the_wait_doubles() -> None:
    """People mistype; programs don't."""
    clock = ManualClock()
    limit = SignInLimit(clock)
    waits = []
    for _ in range(FREE_COUNT - 1):
        assert limit.wait_s("192.168.4.7") == 0.0
    for _ in range(10):
        assert limit.wait_s("192.168.4.7") == 0.0
        waits.append(limit.wait_s("192.168.4.7"))
        clock.advance(waits[-1])
    assert waits == pytest.approx([2, 4, 8, 16, 32, 64, 128, 256, LONGEST_WAIT_S, LONGEST_WAIT_S])


def test_asking_while_held_up_makes_it_no_longer() -> None:
    """A crew that taps again and again gets in when its time is over."""
    clock = ManualClock()
    limit = SignInLimit(clock)
    for _ in range(FREE_COUNT):
        limit.wait_s("a")
    for _ in range(1000):
        assert limit.wait_s("a") == pytest.approx(2.0)
    clock.advance(2.0)
    assert limit.wait_s("a") == 0.0


def test_success_and_an_hour_of_quiet_begin_anew() -> None:
    clock = ManualClock()
    limit = SignInLimit(clock)
    for _ in range(FREE_COUNT):
        limit.wait_s("a")
    assert limit.wait_s("a") > 0.0
    limit.succeeded("a")
    assert [limit.wait_s("a") for _ in range(FREE_COUNT)] == [0.0] * FREE_COUNT
    assert limit.wait_s("a") > 0.0
    clock.advance(3601.0)
    assert limit.wait_s("a") == 0.0


def test_many_addresses_share_one_bucket_and_fill_no_memory() -> None:
    """A hostile network has as many addresses as it likes."""
    clock = ManualClock()
    limit = SignInLimit(clock)
    admitted = sum(limit.wait_s(f"10.{n >> 16 & 255}.{n >> 8 & 255}.{n & 255}") == 0.0 for n in range(20_000))
    assert admitted == BURST_COUNT
    assert limit.addresses_count <= MOST_ADDRESSES
    clock.advance(10 * REFILL_S)
    admitted = sum(limit.wait_s(f"2001:db8:{n:x}::1") == 0.0 for n in range(1000))
    assert admitted == 10
    assert limit.addresses_count <= MOST_ADDRESSES + MOST_KNOWN


def test_who_signed_in_before_is_not_held_up_by_others() -> None:
    """Else anybody could lock the crew out."""
    limit = SignInLimit(ManualClock())
    assert limit.wait_s("192.168.4.7") == 0.0
    limit.succeeded("192.168.4.7")
    for n in range(100):
        limit.wait_s(f"192.168.5.{n}")
    assert limit.wait_s("192.168.6.1") > 0.0
    assert limit.wait_s("192.168.4.7") == 0.0
    for n in range(1000):
        limit.succeeded(f"10.0.{n >> 8}.{n & 255}")
    assert limit.addresses_count <= MOST_ADDRESSES + MOST_KNOWN


def test_an_ipv6_household_is_one_address() -> None:
    """RFC 4291: the last 64 bits are the machine's own choice."""
    assert address_key("2001:db8:1:2::5") == address_key("2001:db8:1:2:ffff::9")
    assert address_key("2001:db8:1:2::5") != address_key("2001:db8:1:3::5")
    assert address_key("::ffff:192.168.4.7") == address_key("192.168.4.7")
    assert address_key("fe80::1%wlan0") == address_key("fe80::2")
    assert len(address_key("x" * 5000)) <= 64


def test_a_session_ends_when_idle_and_after_a_day() -> None:
    clock = ManualClock()
    sessions = Sessions(clock)
    token, _ = sessions.open("A")
    clock.advance(IDLE_S - 1)
    assert sessions.find(token) is not None
    clock.advance(IDLE_S + 1)
    assert sessions.find(token) is None
    token, _ = sessions.open("A")
    for _ in range(3):
        clock.advance(LONGEST_S / 4)
        assert sessions.find(token) is not None
    clock.advance(LONGEST_S / 4 + 1)
    assert sessions.find(token) is None
    assert sessions.count == 0


def test_sessions_are_bounded_and_the_one_unused_for_longest_goes() -> None:
    """Signing in ten thousand times fills no memory and throws out nobody who looks."""
    sessions = Sessions(ManualClock())
    crew, _ = sessions.open("crew")
    tokens = set()
    for _ in range(10 * MOST_SESSIONS):
        tokens.add(sessions.open("guest")[0])
        assert sessions.find(crew) is not None
    assert len(tokens) == 10 * MOST_SESSIONS
    assert sessions.count == MOST_SESSIONS


@given(token=st.text(max_size=80))
def test_no_made_up_token_is_a_session(token: str) -> None:
    sessions = Sessions(ManualClock())
    sessions.open("A")
    assert sessions.find(token) is None
    sessions.close(token)
    assert sessions.count == 1
