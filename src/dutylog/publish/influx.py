"""The one place that knows influxdb-client: sends lines, and says in our words how that went.

Source of the statuses: InfluxDB API reference, POST /api/v2/write; InfluxDB 1.6 documentation, "HTTP
response summary" of /write. 204 alone means stored: a sign-in page of a hotspot answers 200.
"""

from __future__ import annotations

import json
import ssl
from collections.abc import Mapping, Sequence
from email.utils import parsedate_to_datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from dutylog.errors import OutputDown, OutputRejected, one_line
from dutylog.memory import let_go

if TYPE_CHECKING:
    # Imported where it is used: urllib3 opens a socket when it is imported, to see whether there is IPv6.
    from influxdb_client.rest import ApiException
    from urllib3.exceptions import HTTPError

TIMEOUT_S = 10.0
"""Longest wait for the server to take or answer a batch (judgement)."""
RETRY_AFTER_MAX_S = 3600.0
"""No server silences us for longer than this, whatever it asks (judgement)."""
STORED = 204
_REJECTED = (400, 413, 422)


class InfluxServer:
    """A bucket of an InfluxDB server, 2 or newer, or 1 that speaks the write address of 2. Used by one thread."""

    def __init__(
        self, url: str, org: str, bucket: str, token: str, ca_file: Path | None = None, timeout_s: float = TIMEOUT_S
    ) -> None:
        """Connects at the first write.

        Args:
            url: without the path of the API. token: sent in a header, never shown.
            ca_file: certificates that vouch for the server, None for the system's.
            timeout_s: float [s] for connecting and for each answer.
        Raises:
            OutputDown: ca_file holds no certificate that can be read.
        """
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.service.write_service import WriteService

        self._url = url
        self._org = org
        self._bucket = bucket
        if ca_file is not None:
            self._check(ca_file)
        self._client = InfluxDBClient(
            url=url,
            token=token,
            org=org,
            timeout=round(timeout_s * 1000),
            enable_gzip=True,
            ssl_ca_cert=None if ca_file is None else str(ca_file),
        )
        self._writes = WriteService(self._client.api_client)

    def write(self, lines: Sequence[bytes]) -> None:
        """Send lines with their times as one batch; on return all of them are stored.

        Raises:
            OutputRejected: the server can't take one or more of the lines, or that many at once; which
                ones it doesn't say, so `indices` names them all. Others may have been stored.
            OutputDown: out of reach, busy, or it refuses us; nothing is wrong with the lines.
        """
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        body = b"\n".join(lines)
        try:
            _, status, _ = self._writes.post_write_with_http_info(
                self._org, self._bucket, body, precision="ns", content_type="text/plain; charset=utf-8"
            )
        except ApiException as err:
            raise _ended(err, self._translate(err, len(lines))) from None
        except HTTPError as err:
            raise _ended(err, self._down(_network_text(err))) from None
        except (OSError, UnicodeError) as err:
            raise _ended(err, self._down(f"{type(err).__name__}: {one_line(err)}")) from None
        if status != STORED:
            raise self._down(f"answered {status} where a database answers 204; is that its address?")

    def close(self) -> None:
        """Let the connections go; safe to call twice."""
        self._client.close()

    def __enter__(self) -> InfluxServer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _check(self, ca_file: Path) -> None:
        try:
            ssl.create_default_context(cafile=ca_file)
        except OSError as err:
            raise self._down(f"ca_file {ca_file} can't be used ({one_line(err)}); give one in PEM", True) from err

    def _translate(self, err: ApiException, count: int) -> OutputDown | OutputRejected:
        status = int(err.status or 0)
        message = _message(err.body)
        if status in _REJECTED and (message is not None or status == 413):
            return OutputRejected(f"{status}: {message or 'too much at once'}", range(count))
        if status in (401, 403):
            return self._down(f"token refused ({status}); check token_file, org and the token's rights", True)
        if status == 404:
            text = f"bucket {self._bucket} not found (404: {message or 'no reason'}); make it, or check bucket"
            return self._down(f"{text}, org and url", True)
        if status == 0:
            return self._down(f"TLS failed ({one_line(err.reason)}); check ca_file and the server's certificate")
        if status in _REJECTED:
            # Only the database knows about lines; anything else in between must not make us drop some.
            return self._down(f"{status} that is no answer of a database; check url", True)
        reason = f"{status} {one_line(message or str(err.reason or ''))}".strip()
        return self._down(reason, wait_s=parse_retry_after(err.headers or {}))

    def _down(self, what: str, is_refused: bool = False, wait_s: float | None = None) -> OutputDown:
        return OutputDown(f"InfluxDB at {self._url}: {what}", wait_s, is_refused)


def _ended(err: BaseException, ours: OutputDown | OutputRejected) -> OutputDown | OutputRejected:
    """Return our error once nothing of the library's is kept by it."""
    let_go(err)
    return ours


def parse_retry_after(headers: Mapping[str, str]) -> float | None:
    """Return what a Retry-After header asks for [s], 0..RETRY_AFTER_MAX_S; None without one that makes sense.

    Source: RFC 9110, section 10.2.3: seconds, or a date. A date counts from the server's own Date,
    because ours may be years off.
    """
    text = headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        # more than nine digits are beyond the limit anyway, and int() of a long text takes long
        return min(float(text[:10]), RETRY_AFTER_MAX_S)
    try:
        wait_s = (parsedate_to_datetime(text) - parsedate_to_datetime(headers.get("Date", ""))).total_seconds()
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return min(max(wait_s, 0.0), RETRY_AFTER_MAX_S)


def _message(body: str | bytes | None) -> str | None:
    """Return the reason a database gave; None when the body isn't a database's."""
    try:
        answer = json.loads(body or "")
    except (ValueError, RecursionError):
        return None
    if not isinstance(answer, dict):
        return None
    reason = answer.get("message") or answer.get("error")
    return one_line(reason) if isinstance(reason, str) else None


def _network_text(err: HTTPError) -> str:
    from urllib3.exceptions import NewConnectionError, SSLError
    from urllib3.exceptions import TimeoutError as NoAnswer

    if isinstance(err, SSLError):
        return f"TLS failed ({one_line(err)}); check ca_file and the server's certificate"
    # A refused connection counts as a time-out in that library.
    if isinstance(err, NoAnswer) and not isinstance(err, NewConnectionError):
        return "no answer in time"
    return f"out of reach ({type(err).__name__}); check url and network"
