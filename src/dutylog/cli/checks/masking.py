"""Takes secrets, and on request names, out of every text that is handed to others.

A secret is known by its key in the vehicle file, by its place in an address, or because it is the content
of a file of secrets: those are read here to find copies of them elsewhere, and go nowhere.
"""

from __future__ import annotations

import json
import os
import re
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, quote_plus

MASKED = "(masked)"
LEFT_OUT = "(left out)"
SHORTEST_SECRET = 4
"""A shorter one stands in every text by chance; it is masked in its own place only."""
CUT_SECRET = 16
"""So much of the begin of a longer one is enough to take it out: texts are shortened on their way."""
SHORTEST_NAME = 3
NO_SECRETS = frozenset({"mqtt.password", "influxdb.token", "password", "token", "none", "true", "false"})
"""Words of our own texts, and names that the example gives to files of secrets: taking them out everywhere would leave
nothing readable."""
HIDDEN_KEYS = frozenset({"serial", "label", "vehicle"})
"""Of JSON: what they hold names a vehicle or damper, however short it is."""
LARGEST_SECRET_FILE = 4096
_WORD = (
    r"(?:pass(?:word|wort|wd|phrase|code)|(?<![a-z_])pass(?![a-z_])|pwd|token|secret|credential"
    r"|(?:api|private)[_-]?key)"
)
_KEY = re.compile(rf"""(?P<key>[\w.\-"']*{_WORD}[\w.\-"']*)(?P<gap>\s*[=:]\s*)""", re.IGNORECASE)
_HEADER = re.compile(r"^\s*\[+\s*(?P<name>[^\]\n]*)\]+")
_SAID = re.compile(rf"(?P<said>#.*?{_WORD}\w*)(?P<rest>.*)$", re.IGNORECASE)
_FILE_KEY = re.compile(r"""_file["']?$""", re.IGNORECASE)
_QUOTED = re.compile(r'"((?:\\.|[^"\\\n])*)"|' + r"'([^'\n]*)'")
_ADDRESS = re.compile(r"""([A-Za-z][A-Za-z0-9+.\-]*://)([^\s"'<>]*)@""")
_HEADER_LINE = re.compile(r"\b(authorization\s*[:=]\s*)[^\n\"']+", re.IGNORECASE)
_BEARER = re.compile(r"\b(bearer|basic|token)(\s+)[A-Za-z0-9+/=._~\-]{16,}", re.IGNORECASE)
_ASSIGNED = re.compile(rf"({_WORD}\w*=)[^\s&;,]+", re.IGNORECASE)
_NAMING = re.compile(
    r"""(\b(?:name|id|serial|host|username|client_id|url|org|bucket|file|dir|[a-z]+_file)\s*=\s*)("[^"\n]*"|'[^'\n]*')"""
)
_ANY_VALUE = re.compile(r"[=:]")


class Mask:
    """What is to be taken out, gathered first and then used on everything."""

    def __init__(self, is_anonymous: bool = False) -> None:
        """is_anonymous: names go, too, those that were learnt and what stands under HIDDEN_KEYS."""
        self.is_anonymous = is_anonymous
        self._secrets: set[str] = set()
        self._names: dict[str, str] = {}

    def learn_secret(self, text: str) -> None:
        """Take a secret out from now on, also as it stands in addresses and in JSON."""
        text = text.strip()
        if len(text) >= SHORTEST_SECRET and text not in NO_SECRETS:
            self._secrets |= {text, quote(text, safe=""), quote_plus(text), json.dumps(text)[1:-1]}

    def learn_name(self, text: str | None, alias: str) -> None:
        """Put the alias in the place of a name, where it stands as a word of its own."""
        if text and len(text) >= SHORTEST_NAME and text not in self._names:
            self._names[text] = alias

    def text(self, text: str) -> str:
        """Return a text without what is to be taken out."""
        text = _ADDRESS.sub(rf"\1{MASKED}@", text)
        text = _BEARER.sub(rf"\1\2{MASKED}", _HEADER_LINE.sub(rf"\1{MASKED}", text))
        text = _ASSIGNED.sub(rf"\1{MASKED}", text)
        for secret in sorted(self._secrets, key=len, reverse=True):
            text = text.replace(secret, MASKED)
            if len(secret) > CUT_SECRET:
                text = re.sub(re.escape(secret[:CUT_SECRET]) + r"\S*", MASKED, text)
        for name in sorted(self._names, key=len, reverse=True):
            text = re.sub(rf"(?<![A-Za-z0-9]){re.escape(name)}(?![A-Za-z0-9])", self._alias, text)
        return text

    def value(self, value: Any) -> Any:
        """Return something made for JSON without what is to be taken out."""
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, dict):
            return {self.text(str(key)): self._part(key, part) for key, part in value.items()}
        if isinstance(value, list | tuple):
            return [self.value(part) for part in value]
        return value

    def is_in(self, octets: bytes) -> bool:
        """Return whether bytes that can't be changed hold a secret."""
        return any(secret.encode("utf-8", "surrogateescape") in octets for secret in self._secrets)

    def name(self, text: str) -> str:
        """Return the alias of a name, LEFT_OUT for one that wasn't learnt."""
        return self._names.get(text, LEFT_OUT)

    def _part(self, key: object, part: Any) -> Any:
        if not self.is_anonymous or key not in HIDDEN_KEYS or part is None:
            return self.value(part)
        return self.name(part) if isinstance(part, str) else LEFT_OUT

    def _alias(self, match: re.Match[str]) -> str:
        return self._names[match.group()]


def mask_vehicle_file(text: str, folder: Path, mask: Mask) -> str:
    """Return a vehicle file's text without secrets, also where it is no TOML; the mask learns them.

    Whatever follows a secret key on its line goes with it: a quote within a password must not let its end out.

    Args:
        folder: relative paths in the file start there. A `..._file` keeps its value where that is a file;
            else the value may be the secret itself.
    """
    for key, value in _secrets_of(text):
        if not (_FILE_KEY.search(key) and learn_file(folder, value, mask)):
            mask.learn_secret(value)
    for match in _ADDRESS.finditer(text):
        mask.learn_secret(match[2].partition(":")[2])
    lines, is_secret_table, until = [], False, ""
    for line in text.splitlines():
        if until:
            _learn_raw(line, mask)
            until = "" if until in line else until
            continue
        header = _HEADER.match(line)
        if header is not None:
            is_secret_table = re.search(_WORD, header["name"], re.IGNORECASE) is not None
        shown, until = _mask_line(line, is_secret_table and header is None, folder, mask)
        lines.append(shown)
    return mask.text("\n".join(lines)) + "\n"


def learn_file(folder: Path, name: str, mask: Mask) -> bool:
    """Learn the content of a file of secrets; return whether there is such a file."""
    try:
        descriptor = os.open(folder / os.path.expanduser(name), os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except PermissionError:
        return True
    except (OSError, ValueError):
        return False
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            return False
        content = os.read(descriptor, LARGEST_SECRET_FILE).decode("utf-8", "surrogateescape")
    except OSError:
        return True
    finally:
        os.close(descriptor)
    for line in content.splitlines():
        mask.learn_secret(line)
    return True


def without_comments(text: str) -> str:
    """Return TOML text without its comments, which may name anybody."""
    pieces = re.compile(r'"""(?:\\.|[^\\])*?"{3,5}|' + r"'''.*?'{3,5}|" + _QUOTED.pattern + r"|#[^\n]*", re.DOTALL)
    return pieces.sub(lambda match: "" if match.group().startswith("#") else match.group(), text)


def anonymise_vehicle_file(text: str, mask: Mask) -> str:
    """Return the masked text of a good vehicle file without comments and names. See shared/CHECK.md for what stays."""

    def replace(match: re.Match[str]) -> str:
        return f'{match[1]}"{mask.name(match[2][1:-1])}"'

    return mask.text(_NAMING.sub(replace, without_comments(text)))


def _mask_line(line: str, is_secret_table: bool, folder: Path, mask: Mask) -> tuple[str, str]:
    """Return a line as it may be shown, and the text that ends a value which goes on over further lines."""
    match = _KEY.search(line)
    start = None if match is None else match.end()
    if is_secret_table and match is None and (value := _ANY_VALUE.search(line)) is not None:
        start = value.end()
    if start is None:
        said = _SAID.search(line)
        return (line if said is None or not said["rest"].strip() else f"{said['said']} {MASKED}"), ""
    rest = line[start:]
    if match is not None and _FILE_KEY.search(match["key"]):
        quoted = _QUOTED.match(rest)
        if quoted is not None and learn_file(folder, quoted[1] or quoted[2] or "", mask):
            tail = rest[quoted.end() :]
            return line[: start + quoted.end()] + _mask_line(tail, False, folder, mask)[0], ""
    if "#" not in line[:start]:
        _learn_raw(rest, mask)
    return line[:start].rstrip() + f" {MASKED}", _find_open_end(rest)


def _find_open_end(value: str) -> str:
    """Return what ends a value that isn't ended on its own line, empty where it is."""
    begin = value.lstrip()
    for mark in ('"""', "'''"):
        if begin.startswith(mark) and begin.count(mark) < 2:
            return mark
    for opening, closing in ("[]", "{}"):
        if begin.startswith(opening) and begin.count(opening) > begin.count(closing):
            return closing
    return ""


def _learn_raw(value: str, mask: Mask) -> None:
    """Learn a value as it stands: what is in quotes, and what would be left without a comment."""
    for match in _QUOTED.finditer(value):
        mask.learn_secret(match[1] or match[2] or "")
    mask.learn_secret(value.partition(" #")[0].strip().strip("\"',"))


def _secrets_of(text: str) -> Iterator[tuple[str, str]]:
    """Yield (key, value) of every secret in a text that is TOML; nothing where it isn't."""
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError):
        return
    yield from _walk(document, "", False)


def _walk(node: Any, key: str, is_secret: bool) -> Iterator[tuple[str, str]]:
    if isinstance(node, dict):
        for name, part in node.items():
            yield from _walk(part, name, is_secret or re.search(_WORD, name, re.IGNORECASE) is not None)
    elif isinstance(node, list):
        for part in node:
            yield from _walk(part, key, is_secret)
    elif is_secret and not isinstance(node, bool):
        yield key, str(node)
