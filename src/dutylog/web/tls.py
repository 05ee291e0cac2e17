"""A certificate of our own for the pages: made here, kept in one file with its key (shared/ACCESS.md)."""

from __future__ import annotations

import fcntl
import hashlib
import ipaddress
import json
import os
import re
import socket
import ssl
import struct
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from dutylog.acquire.gps.dates import BUILD_YEAR
from dutylog.errors import ConfigError
from dutylog.ledger.private_file import read_private, write_private
from dutylog.units import NS_PER_S
from dutylog.web.tls_plain import TellingContext, TellingObject

CERTIFICATE_FILE = "page.pem"
NOT_BEFORE = datetime(2019, 1, 1, tzinfo=UTC)
"""Long past, because neither the logger's clock nor a phone's is sure. Browsers refuse certificates issued after
2019-07-01 that are valid for more than 825 days; this one says it is older.
Source: https://support.apple.com/103769."""
LIFETIME = timedelta(days=825)
RENEW_BEFORE = timedelta(days=30)
_LONGEST_FILE_BYTES = 16_384
_NOTE = re.compile(r"^dutylog (\{.*\})$", re.MULTILINE)
_SIOCGIFADDR = 0x8915
"""Source: Linux netdevice(7), bits/ioctls.h."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """The certificate in force. not_after_utc_s: until when. names: host names and addresses it vouches for."""

    path: Path
    fingerprint: str
    not_after_utc_s: float
    names: tuple[str, ...]


def read_certificate(data_dir: Path) -> Certificate | None:
    """Return the certificate of a data folder, None when there is none.

    Raises:
        ConfigError: it is there and can't be used, or others can read its key.
    """
    path = data_dir / CERTIFICATE_FILE
    if not os.path.lexists(path):
        return None
    data = read_private(path, "certificate", _LONGEST_FILE_BYTES)
    try:
        text = data.decode("ascii")
        note = json.loads(_NOTE.findall(text)[0])
        names = tuple(str(name) for name in note["names"])
        begin = text.index("-----BEGIN CERTIFICATE-----")
        der = ssl.PEM_cert_to_DER_cert(text[begin:].strip())
        return Certificate(path, fingerprint_of(der), float(note["not_after_utc_s"]), names)
    except (ValueError, KeyError, TypeError, IndexError, RecursionError) as err:
        raise ConfigError([f"certificate {path}: damaged; make another with dutylog access certificate --new"]) from err


def settle_certificate(data_dir: Path, names: tuple[str, ...], utc_ns: int, anew: bool = False) -> Certificate:
    """Return a certificate that can be used: the one there is, or a new one.

    Args:
        names: host names and addresses it must vouch for; those of the machine come along when it is made.
        utc_ns: wall time, which may be years wrong. anew: make one in any case.
    Raises:
        ConfigError: it can't be made or written.
    """
    try:
        found = None if anew else read_certificate(data_dir)
    except ConfigError:
        # Its key is worth nothing any more: damaged, or others could read it.
        found = None
    if found is not None and not is_due(found, utc_ns) and set(names) <= set(found.names):
        return found
    return _make(data_dir, tuple(dict.fromkeys([*names, *machine_names()])), utc_ns)


def is_due(certificate: Certificate, utc_ns: int) -> bool:
    """Return whether a certificate ends soon. A clock that lags says no, and one that was set right later yes."""
    return utc_ns / NS_PER_S > certificate.not_after_utc_s - RENEW_BEFORE.total_seconds()


def make_context(certificate: Certificate) -> ssl.SSLContext:
    """Return what a server needs to speak TLS; to whoever speaks plain HTTP it tells the address to open.

    Raises:
        ConfigError: key and certificate don't belong together.
    """
    context = TellingContext(ssl.PROTOCOL_TLS_SERVER)
    context.sslobject_class = TellingObject
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate.path)
    except (OSError, ssl.SSLError) as err:
        raise ConfigError(
            [f"certificate {certificate.path}: {err}; make another with dutylog access certificate --new"]
        ) from err
    return context


def fingerprint_of(der: bytes) -> str:
    """Return the SHA-256 fingerprint as browsers show it: pairs of digits with colons."""
    return hashlib.sha256(der).digest().hex(":").upper()


def wanted_names(listen: str, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return what a certificate must vouch for, of the address the pages listen on and further names."""
    typed = tuple(name.lower().rstrip(".") for name in names)
    return typed if listen in ("0.0.0.0", "::") else (*typed, listen)  # noqa: S104 - asked, not listened on


def machine_names() -> tuple[str, ...]:
    """Return what this machine is called and its IPv4 addresses now, loopback first."""
    return ("localhost", "127.0.0.1", "::1", *host_names(), *_interface_addresses())


def host_names() -> tuple[str, ...]:
    """Return this machine's own name and the one that RFC 6762 (names in .local) gives it; none when it is odd."""
    host = socket.gethostname().split(".")[0].lower()
    return (host, f"{host}.local") if re.fullmatch(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?", host) else ()


def _interface_addresses() -> list[str]:
    """Return the first IPv4 address of each interface. Source: Linux netdevice(7), SIOCGIFADDR in a struct ifreq."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        for _, name in socket.if_nameindex():
            request = struct.pack("256s", name.encode()[:15])
            try:
                found.append(socket.inet_ntoa(fcntl.ioctl(asked.fileno(), _SIOCGIFADDR, request)[20:24]))
            except OSError:
                continue
    return [address for address in found if address != "127.0.0.1"]


def _make(data_dir: Path, names: tuple[str, ...], utc_ns: int) -> Certificate:
    pem, not_after = _sign(names, utc_ns)
    note = {"not_after_utc_s": not_after.timestamp(), "names": names}
    write_private(data_dir / CERTIFICATE_FILE, f"dutylog {json.dumps(note)}\n".encode("ascii") + pem)
    made = read_certificate(data_dir)
    if made is None:
        raise ConfigError([f"certificate {data_dir / CERTIFICATE_FILE}: vanished as it was made; try again"])
    return made


def _sign(names: tuple[str, ...], utc_ns: int) -> tuple[bytes, datetime]:
    """Return key and certificate as PEM, and the end of its time.

    Source: RFC 5280, 4.2.1 (extensions); NIST P-256, signed with SHA-256.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    # A clock that woke up in 1970 is no reason for a certificate that has ended before it is used.
    begin = max(datetime.fromtimestamp(utc_ns / NS_PER_S, UTC), datetime(BUILD_YEAR, 1, 1, tzinfo=UTC))
    not_after = (begin + LIFETIME).replace(microsecond=0)
    key = ec.generate_private_key(ec.SECP256R1())
    title = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "dutylog")])
    usage = x509.KeyUsage(True, False, False, False, False, False, False, False, False)
    builder = x509.CertificateBuilder().subject_name(title).issuer_name(title).public_key(key.public_key())
    builder = builder.serial_number(x509.random_serial_number()).not_valid_before(NOT_BEFORE).not_valid_after(not_after)
    builder = builder.add_extension(x509.SubjectAlternativeName([_general_name(x509, name) for name in names]), False)
    builder = builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), True)
    builder = builder.add_extension(usage, True)
    builder = builder.add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), False)
    certificate = builder.sign(key, hashes.SHA256())
    form = serialization.PrivateFormat.PKCS8
    secret = key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption())
    return secret + certificate.public_bytes(serialization.Encoding.PEM), not_after


def _general_name(x509: Any, name: str) -> Any:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
