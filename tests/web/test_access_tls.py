"""The certificate of the pages: what is in it, when another is made, and how its key is kept."""

from __future__ import annotations

import ipaddress
import os
import ssl
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509

from dutylog.acquire.gps.dates import BUILD_YEAR
from dutylog.errors import ConfigError
from dutylog.web.tls import (
    CERTIFICATE_FILE,
    LIFETIME,
    RENEW_BEFORE,
    make_context,
    read_certificate,
    settle_certificate,
    wanted_names,
)

NOW = datetime(2027, 5, 1, tzinfo=UTC)
APPLE_RULE_FROM = datetime(2019, 7, 1, tzinfo=UTC)
"""Certificates that say they are younger may be valid for 825 days. Source: https://support.apple.com/103769."""


def ns(moment: datetime) -> int:
    return round(moment.timestamp()) * 10**9


def parsed(data_dir: Path) -> Any:
    pem = (data_dir / CERTIFICATE_FILE).read_bytes()
    return x509.load_pem_x509_certificate(pem[pem.index(b"-----BEGIN CERTIFICATE") :])


def test_certificate_and_key_are_one_file_for_its_owner_alone(tmp_path: Path) -> None:
    """One file changes at once: key and certificate always belong together."""
    found = settle_certificate(tmp_path, ("pi.local", "192.168.4.1"), ns(NOW))
    path = tmp_path / CERTIFICATE_FILE
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [p.name for p in tmp_path.iterdir()] == [CERTIFICATE_FILE]
    certificate = parsed(tmp_path)
    assert certificate.fingerprint(certificate.signature_hash_algorithm).hex(":").upper() == found.fingerprint
    assert certificate.signature_hash_algorithm.name == "sha256"
    assert certificate.public_key().curve.name == "secp256r1"
    make_context(found)


def test_it_vouches_for_every_way_to_type_the_address(tmp_path: Path) -> None:
    found = settle_certificate(tmp_path, ("pi.local", "192.168.4.1", "fd00::1"), ns(NOW))
    names = parsed(tmp_path).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    hosts = names.get_values_for_type(x509.DNSName)
    addresses = names.get_values_for_type(x509.IPAddress)
    assert {"pi.local", "localhost"} <= set(hosts)
    wanted = {"192.168.4.1", "fd00::1", "127.0.0.1", "::1"}
    assert {ipaddress.ip_address(address) for address in wanted} <= set(addresses)
    assert len(found.names) == len(hosts) + len(addresses)


def test_it_can_serve_but_not_vouch_for_others(tmp_path: Path) -> None:
    """Its key lies on a vehicle: nobody who trusts it must trust it for another site."""
    settle_certificate(tmp_path, (), ns(NOW))
    extensions = parsed(tmp_path).extensions
    assert extensions.get_extension_for_class(x509.BasicConstraints).value.ca is False
    usages = list(extensions.get_extension_for_class(x509.ExtendedKeyUsage).value)
    assert usages == [x509.oid.ExtendedKeyUsageOID.SERVER_AUTH]


@pytest.mark.parametrize(
    "clock", [datetime(1970, 1, 1, tzinfo=UTC), datetime(2000, 1, 1, tzinfo=UTC), NOW, datetime(2046, 1, 1, tzinfo=UTC)]
)
def test_a_clock_that_is_years_wrong_makes_a_certificate_that_is_valid_now(tmp_path: Path, clock: datetime) -> None:
    """No battery: the board wakes up in 1970. The phone that judges knows the date."""
    settle_certificate(tmp_path, (), ns(clock))
    certificate = parsed(tmp_path)
    phone = datetime(BUILD_YEAR, 6, 1, tzinfo=UTC)
    assert certificate.not_valid_before_utc < APPLE_RULE_FROM
    assert certificate.not_valid_before_utc < phone < certificate.not_valid_after_utc
    begin = max(clock, datetime(BUILD_YEAR, 1, 1, tzinfo=UTC))
    assert certificate.not_valid_after_utc - begin == LIFETIME == timedelta(days=825)


def test_it_is_kept_until_a_month_before_its_end_whatever_the_clock_says_before(tmp_path: Path) -> None:
    """Each new one must be accepted anew on each phone, so a clock that jumps back mustn't make one."""
    first = settle_certificate(tmp_path, (), ns(NOW))
    for clock in (datetime(1970, 1, 1, tzinfo=UTC), NOW, NOW + LIFETIME - RENEW_BEFORE - timedelta(days=1)):
        assert settle_certificate(tmp_path, (), ns(clock)) == first
    second = settle_certificate(tmp_path, (), ns(NOW + LIFETIME - RENEW_BEFORE + timedelta(days=1)))
    assert second.fingerprint != first.fingerprint
    assert settle_certificate(tmp_path, (), ns(NOW)) == second


def test_another_is_made_for_a_new_name_and_when_asked(tmp_path: Path) -> None:
    first = settle_certificate(tmp_path, ("a.local",), ns(NOW))
    assert settle_certificate(tmp_path, (), ns(NOW)) == first
    second = settle_certificate(tmp_path, ("a.local", "b.local"), ns(NOW))
    assert second.fingerprint != first.fingerprint
    assert settle_certificate(tmp_path, ("b.local",), ns(NOW), anew=True).fingerprint != second.fingerprint


def test_a_key_that_others_could_read_is_thrown_away(tmp_path: Path) -> None:
    first = settle_certificate(tmp_path, (), ns(NOW))
    os.chmod(tmp_path / CERTIFICATE_FILE, 0o644)
    with pytest.raises(ConfigError, match="chmod 600"):
        read_certificate(tmp_path)
    second = settle_certificate(tmp_path, (), ns(NOW))
    assert second.fingerprint != first.fingerprint
    assert stat.S_IMODE((tmp_path / CERTIFICATE_FILE).stat().st_mode) == 0o600


@pytest.mark.parametrize("size", [0, 10, 200, 500, 900])
def test_a_torn_file_is_replaced(tmp_path: Path, size: int) -> None:
    """A card that lost the end of it."""
    first = settle_certificate(tmp_path, (), ns(NOW))
    path = tmp_path / CERTIFICATE_FILE
    path.write_bytes(path.read_bytes()[:size])
    with pytest.raises(ConfigError, match="--new"):
        read_certificate(tmp_path)
    assert settle_certificate(tmp_path, (), ns(NOW)).fingerprint != first.fingerprint


def test_a_key_of_another_certificate_is_one_line(tmp_path: Path) -> None:
    """Somebody put two files together by hand."""
    first = settle_certificate(tmp_path, (), ns(NOW))
    text = first.path.read_text(encoding="ascii")
    other = settle_certificate(tmp_path, (), ns(NOW), anew=True).path.read_text(encoding="ascii")
    mixed = other[: other.index("-----BEGIN CERTIFICATE")] + text[text.index("-----BEGIN CERTIFICATE") :]
    first.path.write_text(mixed, encoding="ascii")
    found = read_certificate(tmp_path)
    assert found is not None
    with pytest.raises(ConfigError, match="--new") as caught:
        make_context(found)
    assert "\n" not in str(caught.value)


def test_old_tls_is_refused(tmp_path: Path) -> None:
    context = make_context(settle_certificate(tmp_path, (), ns(NOW)))
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2


def test_names_are_wanted_in_one_form() -> None:
    """Else the command and the page would each make their own, in turns."""
    assert wanted_names("0.0.0.0", ("Truck.Local.",)) == ("truck.local",)  # noqa: S104
    assert wanted_names("::", ()) == ()
    assert wanted_names("192.168.4.1", ("a",)) == ("a", "192.168.4.1")
