"""What plain HTTP gets on a port that speaks TLS: the address to open, instead of a line that just breaks."""

from __future__ import annotations

import re
import ssl
from typing import Any

_METHODS = (b"GET ", b"HEAD", b"POST", b"PUT ", b"DELE", b"OPTI", b"PATC")
_HOST = re.compile(rb"\r\nhost:[ \t]*([0-9A-Za-z.:\[\]-]{1,260})[ \t]*\r\n", re.IGNORECASE)
_PATH = re.compile(rb"(?:GET|HEAD) (/[!-~]{0,1024}) HTTP/1\.[01]\r\n")
_ENOUGH_BYTES = 8192


class TellingObject(ssl.SSLObject):
    """TLS over memory that looks at a client's first bytes before the handshake does.

    Source: RFC 8446, 5.1: a handshake begins with the byte 22, which no HTTP method does.
    """

    incoming: ssl.MemoryBIO
    outgoing: ssl.MemoryBIO
    _is_sure = False
    _is_told = False

    def do_handshake(self) -> None:
        """Go on with the handshake, unless it is plain HTTP that came."""
        if not self._is_sure and not self._is_told:
            first = self.incoming.read()
            self.incoming.write(first)
            if first[:4] in _METHODS:
                self._tell(first)
            self._is_sure = bool(first)
        if self._is_told:
            # What was told is sent, and then the client hangs up, or the time for a handshake ends it.
            self.incoming.read()
            raise ssl.SSLWantReadError
        super().do_handshake()

    def _tell(self, first: bytes) -> None:
        self._is_told = True
        host, path = _HOST.search(first[:_ENOUGH_BYTES]), _PATH.match(first)
        address = b"" if host is None or path is None else b"https://" + host[1] + path[1]
        text = b"this page is encrypted: open https:// instead of http://\n"
        # Not a permanent one: a phone would remember it after tls was taken back.
        moved = b"HTTP/1.1 307 Temporary Redirect\r\nLocation: " + address + b"\r\n"
        head = moved if address else b"HTTP/1.1 400 Bad Request\r\n"
        rest = b"Content-Type: text/plain; charset=utf-8\r\nCache-Control: no-store\r\nConnection: close\r\n"
        self.outgoing.write(head + rest + b"Content-Length: %d\r\n\r\n" % len(text) + text)


class TellingContext(ssl.SSLContext):
    """Gives each TellingObject the memory it speaks through."""

    def wrap_bio(self, incoming: ssl.MemoryBIO, outgoing: ssl.MemoryBIO, *args: Any, **options: Any) -> ssl.SSLObject:
        """Return the object for one connection."""
        made = super().wrap_bio(incoming, outgoing, *args, **options)
        if isinstance(made, TellingObject):
            made.incoming, made.outgoing = incoming, outgoing
        return made
