"""Where the pages listen and what they allow."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from pathlib import Path

MAX_PORT = 65535
_NAME = re.compile(r"[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?\.?")


@dataclass(frozen=True, slots=True)
class WebSettings:
    """listen_host: IP address or name. host_names: further names people may type (pi.local).

    max_clients: live connections at once; each phone holds one. ping_s: spacing of pings on them.
    data_dir: where the supervisor answers for its processes; None in tests. tls: whether the line is encrypted.
    """

    listen_host: str = "127.0.0.1"
    port: int = 8321
    host_names: tuple[str, ...] = ()
    max_clients: int = 32
    ping_s: float = 5.0
    data_dir: Path | None = None
    tls: bool = False

    @property
    def address(self) -> str:
        """Return the address to open, in the form a browser takes."""
        host = "127.0.0.1" if self.listen_host == "0.0.0.0" else self.listen_host  # noqa: S104
        host = "::1" if host == "::" else host
        return f"http{'s' if self.tls else ''}://{f'[{host}]' if ':' in host else host}:{self.port}/"


def host_of_header(value: str) -> str | None:
    """Return the host of a Host header in lower case without port and brackets, None when malformed.

    Source: RFC 9110 section 7.2 (Host = uri-host [":" port]), RFC 3986 section 3.2.2.
    """
    match = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[^\[\]:]+)(?::([0-9]{1,5}))?", value)
    if match is None or int(match[2] or 1) > MAX_PORT:
        return None
    host = match[1].lower()
    if host.startswith("["):
        return host[1:-1] if _as_ip(host[1:-1]) else None
    return host.rstrip(".") if _NAME.fullmatch(host) else None


def is_own_host(host: str, settings: WebSettings) -> bool:
    """Return whether a request for `host` can be meant for this page.

    A foreign site whose name is pointed at this address (DNS rebinding) sends its own name, so only
    names we know pass. When listening on every address any IP literal passes: a name can't be one.
    """
    if host == "localhost" or host == settings.listen_host.lower() or host in settings.host_names:
        return True
    ip = _as_ip(host)
    if ip is None:
        return False
    listen = _as_ip(settings.listen_host)
    return ip.is_loopback or ip == listen or (listen is not None and listen.is_unspecified)


def _as_ip(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None
