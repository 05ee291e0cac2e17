"""The sending end of a command: to the daemon when one runs, else to the ledger itself under the lock."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import LedgerError
from dutylog.ledger.command import LINE_LIMIT, SCHEMA, apply_command, check_request, encode_line
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.lock import DataLock
from dutylog.sockets import CORE, unix_address

REPLY_LIMIT_S = 5.0


def send_command(data_dir: Path, request: Mapping[str, Any], limit_s: float = REPLY_LIMIT_S) -> dict[str, Any] | None:
    """Send a request to the daemon and return its reply, or None when none listens.

    Args:
        data_dir: the data folder. request: without `schema`, which is added. limit_s: time for all of it [s].
    Raises:
        InputError: the request itself is unfit.
        LedgerError: the daemon doesn't answer in time, or with something else than one line of JSON.
    """
    line = encode_line(check_request({"schema": SCHEMA, **request}))
    deadline_s = time.monotonic() + limit_s
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as end:
        end.settimeout(limit_s)
        try:
            with unix_address(data_dir, CORE) as address:
                end.connect(address)
        except (FileNotFoundError, ConnectionRefusedError):
            return None
        except OSError as err:
            raise LedgerError(
                f"the daemon of {data_dir} can't be reached ({err}); check the rights of the folder"
            ) from err
        try:
            end.sendall(line)
            reply = _read_line(end, deadline_s)
        except TimeoutError as err:
            raise LedgerError(
                f"the daemon of {data_dir} didn't answer within {limit_s:g} s; "
                "the change may still be made, look before repeating it"
            ) from err
        except OSError as err:
            raise LedgerError(f"the daemon of {data_dir} hung up ({err}); look whether the change was made") from err
    return _parse_reply(data_dir, reply)


def run_command(data_dir: Path, request: Mapping[str, Any], vehicle: Vehicle | None = None) -> dict[str, Any]:
    """Have a request done by the daemon, or do it here when none runs; returns the reply of a success.

    Args:
        data_dir: the data folder. request: without `schema`.
        vehicle: the configuration a person named; stored first when no daemon runs.
    Raises:
        LedgerError: it was refused, the text says why; or another process holds the folder.
        InputError: the request is unfit.
    """
    reply = send_command(data_dir, request)
    if reply is None:
        with DataLock(data_dir), Ledger.open(Path(data_dir) / LEDGER_NAME) as ledger:
            if vehicle is not None:
                ledger.put_vehicle(vehicle)
            reply = apply_command(ledger, {"schema": SCHEMA, **request}).reply
    if reply.get("ok") is not True:
        raise LedgerError(str(reply.get("error", "the daemon refused without a reason")))
    return reply


def _read_line(end: socket.socket, deadline_s: float) -> bytes:
    """Return bytes up to the first newline, the end of the stream, or just over the limit."""
    got = b""
    while b"\n" not in got and len(got) <= LINE_LIMIT:
        left_s = deadline_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError
        end.settimeout(left_s)
        piece = end.recv(LINE_LIMIT)
        if not piece:
            break
        got += piece
    return got


def _parse_reply(data_dir: Path, line: bytes) -> dict[str, Any]:
    try:
        if len(line) > LINE_LIMIT or not line.endswith(b"\n"):
            raise ValueError("no whole line")
        reply = json.loads(line)
    except (ValueError, RecursionError) as err:
        raise LedgerError(f"the daemon of {data_dir} gave no proper answer; look whether the change was made") from err
    if not isinstance(reply, dict):
        raise LedgerError(f"the daemon of {data_dir} gave no proper answer; look whether the change was made")
    return reply
