"""A serial line, opened, read and written; the one module that imports pyserial.

Every failure becomes SourceLost or WrongDevice with what, where and what to do, and no call waits longer than it
was told to.
"""

from __future__ import annotations

import errno
import os
import select
import stat
import termios
from pathlib import Path

import serial  # type: ignore[import-untyped]

from dutylog.errors import SourceLost, WrongDevice

BY_ID = "/dev/serial/by-id"
_READ_BYTES = 65_536
_WRITE_LIMIT_S = 0.5
"""Commands are tens of bytes and the kernel keeps thousands: a line that takes none for so long hangs (judgement)."""


class SerialLine:
    """An open port, raw, 8 data bits, no parity, for one reader and one writer in the same thread.

    Made by `open`. port: the path as it was asked for.
    """

    def __init__(self, port: str, what: str, line: serial.Serial) -> None:
        """what: how people call the thing at the other end, as in 'the bridge'."""
        self.port = port
        self._what = what
        self._line = line
        self._fd: int = line.fileno()
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)

    @classmethod
    def open(cls, port: str, *, what: str, key: str, baud: int = 115_200) -> SerialLine:
        """Open a port for ourselves alone; what came before we did is thrown away.

        Args:
            port: path, best one below /dev/serial/by-id, which stays when other devices come and go.
            what: how people call the device: 'the bridge'.
            key: where the vehicle file names the port: '[bridge] device'.
            baud: of a true serial line; a USB serial device of its own ignores it.
        Raises:
            SourceLost: not there, not permitted, in use.
            WrongDevice: the path is a folder, a plain file or a device that is no serial line.
        """
        _check_kind(port, what, key)
        try:
            line = serial.Serial(port, baud, timeout=0, write_timeout=_WRITE_LIMIT_S, exclusive=True)
        except serial.SerialException as err:
            raise _explain(err, port, what, key) from err
        except (OSError, termios.error, ValueError, OverflowError) as err:
            raise SourceLost(f"{port}: {what} can't be opened ({err}); unplug it and plug it in again") from err
        return cls(port, what, line)

    def read(self, limit_s: float) -> bytes:
        """Return what has come, at least a byte unless nothing came within `limit_s`; b'' then.

        Raises:
            SourceLost: unplugged, at once.
        """
        try:
            ready = self._poll.poll(max(0.0, limit_s) * 1e3)
            if not ready:
                return b""
            data = os.read(self._fd, _READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError as err:
            raise self._gone(err.strerror or str(err)) from err
        if not data:
            raise self._gone("end of data")
        return data

    def write(self, data: bytes) -> None:
        """Write all of `data`.

        Raises:
            SourceLost: unplugged, or it takes nothing for half a second.
        """
        try:
            self._line.write(data)
        except serial.SerialTimeoutException as err:
            raise SourceLost(
                f"{self.port}: {self._what} has taken no bytes for {_WRITE_LIMIT_S:g} s, so it hangs; "
                "unplug it and plug it in again"
            ) from err
        except (serial.SerialException, OSError, termios.error) as err:
            raise self._gone(str(err)) from err

    def close(self) -> None:
        """Let go of the port; safe to call twice, never raises."""
        try:
            self._line.close()
        except (serial.SerialException, OSError, termios.error):
            return  # it was unplugged: there is nothing left to let go of

    def _gone(self, why: str) -> SourceLost:
        return SourceLost(f"{self.port}: {self._what} is gone ({why}); was it unplugged? Check plug, cable and supply")


def _check_kind(port: str, what: str, key: str) -> None:
    """Raise where the path can't be a serial line; opening some kinds of files has effects."""
    try:
        mode = os.stat(port).st_mode
    except (FileNotFoundError, NotADirectoryError) as err:
        raise _absent(port, what, key) from err
    except PermissionError as err:
        raise _forbidden(port, what) from err
    except (OSError, ValueError) as err:
        raise SourceLost(f"{port}: can't be looked at ({err}); check {key}") from err
    if stat.S_ISCHR(mode):
        return
    kind = "a folder" if stat.S_ISDIR(mode) else "a plain file" if stat.S_ISREG(mode) else "no serial device"
    raise WrongDevice(f"{port} is {kind}, expected a serial device; set {key}; `ls {BY_ID}` shows what is")


def _absent(port: str, what: str, key: str) -> SourceLost:
    """Return the error for a path that isn't there; a dangling link counts, as udev leaves none."""
    seen = _list_by_id()
    there = f"there: {', '.join(seen)}" if seen else f"`ls {BY_ID}` shows what is"
    return SourceLost(f"{port} isn't there; plug {what} in, or set {key}; {there}")


def _list_by_id() -> list[str]:
    """Return the paths of serial devices by their stable names, at most three."""
    try:
        return sorted(str(path) for path in Path(BY_ID).iterdir())[:3]
    except OSError:
        return []


def _forbidden(port: str, what: str) -> SourceLost:
    """Return the error for a port that this user may not open."""
    return SourceLost(
        f"{port}: this user may not open {what}; `sudo usermod -aG dialout $USER` (as a service: "
        "SupplementaryGroups=dialout), then log in again"
    )


def _explain(err: serial.SerialException, port: str, what: str, key: str) -> SourceLost | WrongDevice:
    """Return our error for one of pyserial's while opening."""
    number = err.errno
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return _absent(port, what, key)
    if number in (errno.EACCES, errno.EPERM):
        return _forbidden(port, what)
    if number in (errno.EAGAIN, errno.EBUSY):
        return SourceLost(f"{port} is in use by another program; `fuser -v {port}` shows which, stop it")
    if number is None and "configure port" in str(err):
        return WrongDevice(f"{port} is no serial line, expected {what}; set {key}; `ls {BY_ID}` shows what is")
    return SourceLost(f"{port}: {what} can't be opened ({err}); unplug it and plug it in again")
