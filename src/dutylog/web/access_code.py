"""The access code: hashed in a file of the data folder (shared/ACCESS.md), read anew whenever the file changed."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dutylog.errors import ConfigError, InputError
from dutylog.ledger.private_file import force_folder, write_private
from dutylog.publish.secret import read_secret

ACCESS_FILE = "access.json"
LEAST_SIGNS, MOST_SIGNS = 8, 128
"""Length of a code. Source: NIST SP 800-63B, 5.1.1.1 (at least 8; from memory); the upper end is judgement."""
SCRYPT_N, SCRYPT_R, SCRYPT_P = 2**14, 8, 5
"""16 MiB and about a second on a small board. Source: hashlib.scrypt is RFC 7914; these three are one of the equal
choices of the OWASP Password Storage Cheat Sheet (from memory), the one that needs least memory."""
_MOST_N, _MOST_R, _MOST_P = 2**17, 16, 16
"""A file that asks for more isn't believed: it would take all memory."""
_SALT_BYTES, _DIGEST_BYTES = 16, 32


@dataclass(frozen=True, slots=True)
class HashedCode:
    """What is kept of a code. n, r, p: of scrypt.

    set_utc_ns: wall time when it was set; is_trusted: whether anything vouched for it.
    """

    n: int
    r: int
    p: int
    salt: bytes
    digest: bytes
    set_utc_ns: int
    is_trusted: bool

    def matches(self, code: str) -> bool:
        """Return whether this is the code, in a time that doesn't depend on how wrong it is. Takes about a second."""
        return hmac.compare_digest(_digest(code, self.salt, self.n, self.r, self.p), self.digest)


def hash_code(code: str, utc_ns: int, is_trusted: bool, what: str = "access code") -> HashedCode:
    """Return what is to be kept of a new code; what: how messages call it.

    Raises:
        InputError: too short, too long or with signs that can't be typed; the text never quotes it.
    """
    text = _normalise(code)
    if not LEAST_SIGNS <= len(text) <= MOST_SIGNS:
        raise InputError(
            f"{what}: {len(text)} characters, {LEAST_SIGNS} to {MOST_SIGNS} are allowed; three or four words do"
        )
    if not text.isprintable():
        raise InputError(f"{what}: holds characters that can't be typed; write letters, digits and blanks")
    if len(set(text)) < LEAST_SIGNS // 2:
        raise InputError(f"{what}: only {len(set(text))} different characters; three or four words do")
    salt = secrets.token_bytes(_SALT_BYTES)
    digest = _digest(text, salt, SCRYPT_N, SCRYPT_R, SCRYPT_P)
    return HashedCode(SCRYPT_N, SCRYPT_R, SCRYPT_P, salt, digest, utc_ns, is_trusted)


def code_to_dict(hashed: HashedCode) -> dict[str, Any]:
    """Return the form in which a code is kept (shared/ACCESS.md, `access.json`)."""
    return {
        "schema": 1,
        "kind": "scrypt",
        "n": hashed.n,
        "r": hashed.r,
        "p": hashed.p,
        "salt": hashed.salt.hex(),
        "digest": hashed.digest.hex(),
        "set_utc_ns": hashed.set_utc_ns,
        "utc_trusted": hashed.is_trusted,
    }


def write_code(data_dir: Path, hashed: HashedCode) -> None:
    """Put a code in force; ConfigError where the folder takes no file."""
    write_private(data_dir / ACCESS_FILE, json.dumps(code_to_dict(hashed)).encode("ascii") + b"\n")


def clear_code(data_dir: Path) -> bool:
    """Take the code away; return whether there was one. ConfigError where the folder doesn't let it go."""
    try:
        (data_dir / ACCESS_FILE).unlink()
        force_folder(data_dir)
    except FileNotFoundError:
        return False
    except OSError as err:
        raise ConfigError([f"{data_dir / ACCESS_FILE}: {err.strerror}; run this as the user dutylog runs as"]) from err
    return True


def read_code(data_dir: Path) -> HashedCode | None:
    """Return the code in force, None when none is set.

    Raises:
        ConfigError: the file is there and can't be used; nobody gets in then.
    """
    path = data_dir / ACCESS_FILE
    if not os.path.lexists(path):
        return None
    line = read_secret(path, "access code")
    try:
        return code_from_dict(json.loads(line))
    except (ValueError, KeyError, TypeError, RecursionError) as err:
        raise ConfigError([f"access code {path}: damaged; set it anew with dutylog access set"]) from err


class AccessStore:
    """The code in force; asks the disk for one `stat` each time and reads only what changed."""

    def __init__(self, data_dir: Path | None) -> None:
        """data_dir: None: no code is ever set."""
        self._data_dir = data_dir
        self._seen: tuple[int, ...] | None = None
        self._code: HashedCode | None = None
        self.problem = ""

    def current(self) -> HashedCode | None:
        """Return the code in force; None when none is set or the file can't be used, `problem` says why."""
        seen = self._look()
        if seen != self._seen:
            self._seen = seen
            self._code, self.problem = self._read()
        return self._code

    def _look(self) -> tuple[int, ...] | None:
        if self._data_dir is None:
            return None
        try:
            status = os.stat(self._data_dir / ACCESS_FILE, follow_symlinks=False)
        except OSError:
            return None
        return (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_mode, status.st_uid)

    def _read(self) -> tuple[HashedCode | None, str]:
        if self._data_dir is None:
            return None, ""
        try:
            return read_code(self._data_dir), ""
        except ConfigError as err:
            return None, " ".join(str(err).split())


def code_from_dict(kept: Mapping[str, Any]) -> HashedCode:
    """Return a code from the form it is kept in; ValueError, KeyError or TypeError where that isn't ours."""
    numbers = [kept[name] for name in ("schema", "n", "r", "p", "set_utc_ns")]
    if any(type(number) is not int for number in numbers) or kept["kind"] != "scrypt":
        raise ValueError("not ours")
    schema, n, r, p, set_utc_ns = numbers
    salt, digest = bytes.fromhex(kept["salt"]), bytes.fromhex(kept["digest"])
    fits = 2 <= n <= _MOST_N and n & (n - 1) == 0 and 1 <= r <= _MOST_R and 1 <= p <= _MOST_P
    if schema != 1 or not fits or len(salt) != _SALT_BYTES or len(digest) != _DIGEST_BYTES:
        raise ValueError("not ours")
    return HashedCode(n, r, p, salt, digest, set_utc_ns, kept["utc_trusted"] is True)


def _normalise(code: str) -> str:
    """Return one form of what different keyboards make of the same signs. Source: RFC 8265, 4.2 (NFC)."""
    return unicodedata.normalize("NFC", code).strip()


def _digest(code: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    # Source: RFC 7914, 2: 128 * N * r bytes, and 128 * r * p beside them
    most_bytes = 128 * r * (n + p + 2)
    text = _normalise(code).encode("utf-8", "surrogatepass")
    return hashlib.scrypt(text, salt=salt, n=n, r=r, p=p, maxmem=most_bytes, dklen=_DIGEST_BYTES)
