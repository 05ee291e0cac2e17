"""Every error dutylog raises, one tree, split by what the caller does next.

DutylogError
  ConfigError(ValueError)   stop at start, exit 2; names file, key, value seen, allowed range
  InputError(ValueError)    the caller's bug; never swallowed
  RecordingError            a file a person gave us is unreadable; exit 2 with file, place, remedy
  CardRefused               a duty card or service record can't be read or trusted; take nothing of it in
  SourceError               a sensor or its line
    SourceLost              back off, reopen
    FrameError              count, resynchronise
    WrongDevice             disable that source, tell the user
  LedgerError               the database of duty
    LedgerCorrupt           quarantine, open the last good one
    LedgerForeign           leave the file alone, unless the folder is surely ours
    LedgerFull              stop storing samples, keep totals
  OutputError               a broker, database or page
    OutputDown              keep the batch, back off
    OutputRejected          drop the named points, count them
"""

from __future__ import annotations

from collections.abc import Sequence


def one_line(what: object, most: int = 200) -> str:
    """Return text from outside (a file, a server, a device), which may hold anything, as one short printable line."""
    text = str(what)
    if not text.isprintable():
        text = "".join(sign if sign.isprintable() else " " for sign in text)
    return text[:most].strip()


class DutylogError(Exception):
    """Parent of all; its text is one line fit for a person: what, where, value seen, remedy."""


class ConfigError(DutylogError, ValueError):
    """The configuration can't be used; `problems` holds one line for each thing that is wrong."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class InputError(DutylogError, ValueError):
    """A function was called with arguments it can't mean; a bug in the caller."""


class RecordingError(DutylogError):
    """A recording is unreadable or makes no sense; nothing was written."""


class CardRefused(DutylogError):
    """A duty card, its summary or a service record can't be read or trusted; nothing of it was taken in.

    code: a word for programs (shared/DUTY_CARD.md).
    """

    def __init__(self, code: str, text: str) -> None:
        self.code = code
        super().__init__(one_line(text, 400))


class SourceError(DutylogError):
    """A sensor or its line failed."""


class SourceLost(SourceError):
    """The device is gone; back off and reopen it."""


class FrameError(SourceError):
    """Bytes that are no frame; counted, then resynchronised."""


class WrongDevice(SourceError):
    """Something answers, but not the expected device."""


class LedgerError(DutylogError):
    """The ledger can't do what was asked; the text names the unit, trip or file."""


class LedgerCorrupt(LedgerError):
    """The ledger file is damaged or its chain of entries is broken."""


class LedgerForeign(LedgerError):
    """The file under the ledger's name is a database of another program."""


class LedgerFull(LedgerError):
    """The disk is full; samples are no longer stored, totals are kept."""


class OutputError(DutylogError):
    """Something outside can't take what we publish."""


class OutputDown(OutputError):
    """Out of reach, or not willing now; the batch is kept.

    retry_after_s: what the receiver asked us to wait [s], None where it said nothing. is_refused: it
    won't change by itself (credentials, a database that isn't there), so a person must be told.
    """

    def __init__(self, text: str, retry_after_s: float | None = None, is_refused: bool = False) -> None:
        self.retry_after_s = retry_after_s
        self.is_refused = is_refused
        super().__init__(text)


class OutputRejected(OutputError):
    """The receiver refused some points; `indices` names them."""

    def __init__(self, text: str, indices: Sequence[int]) -> None:
        self.indices = tuple(indices)
        super().__init__(text)
