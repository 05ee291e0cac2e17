"""The file of a bundle: members with their sums, what is missing and why, for its owner's eyes only."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import traceback
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from dutylog import ENGINE, __version__
from dutylog.cli.checks.masking import Mask
from dutylog.cli.checks.parts import to_json
from dutylog.cli.checks.within import within
from dutylog.errors import DutylogError, InputError

SCHEMA = 1
MANIFEST = "manifest.json"
FILE_MODE = 0o600
PART_S = 10.0
NO_DATE = (1980, 1, 1, 0, 0, 0)
"""The earliest a zip file knows: a machine without a clock battery may be before it. The manifest has the time."""
_NAME = re.compile(r"[a-z0-9_]+(?:\.[a-z]+)?(?:/[a-z0-9_]+(?:\.[a-z]+)?)?")


class Packer:
    """Fills a zip file; a part that fails is noted and leaves the others alone."""

    def __init__(self, archive: zipfile.ZipFile, mask: Mask) -> None:
        self._archive = archive
        self.mask = mask
        self.members: list[dict[str, Any]] = []
        self.missing: list[dict[str, str]] = []

    def take(self, part: str, work: Callable[[], Iterable[tuple[str, bytes]]]) -> None:
        """Add the members that `work` makes, as (name, bytes); whatever goes wrong becomes a line of the manifest."""
        try:
            for name, octets in within(PART_S, lambda: list(work())):
                self._add(part, name, octets)
        except TimeoutError:
            self.miss(part, f"not done within {PART_S:g} s; something hangs, look at card and mount")
        except DutylogError as err:
            self.miss(part, str(err))
        except OSError as err:
            if self._is_ours(err):
                raise
            self.miss(part, f"{err.strerror or err} ({err.filename or 'no name'})")
        except Exception as err:  # noqa: BLE001 - a fault in one part must not cost the others
            place = traceback.extract_tb(err.__traceback__)[-1]
            self.miss(part, f"a fault of dutylog: {type(err).__name__} at {Path(place.filename).name}:{place.lineno}")

    def miss(self, part: str, reason: str) -> None:
        """Note what isn't there."""
        self.missing.append({"part": part, "reason": " ".join(reason.split())})

    def finish(self, facts: dict[str, Any]) -> None:
        """Write the manifest as the last member. facts: what else it should say."""
        about = {"schema": SCHEMA, "engine": ENGINE, "version": __version__, **facts}
        manifest = self.mask.value(about | {"missing": self.missing}) | {"members": self.members}
        self._write(MANIFEST, to_json(manifest))

    def _add(self, part: str, name: str, octets: bytes) -> None:
        if not _NAME.fullmatch(name):
            raise InputError(f"{name!r} is no name for a member")
        self._write(name, octets)
        digest = hashlib.sha256(octets).hexdigest()
        self.members.append({"name": name, "part": part, "bytes": len(octets), "sha256": digest})

    def _write(self, name: str, octets: bytes) -> None:
        entry = zipfile.ZipInfo(name, NO_DATE)
        entry.compress_type = zipfile.ZIP_DEFLATED
        entry.external_attr = FILE_MODE << 16
        try:
            self._archive.writestr(entry, octets)
        except OSError as err:
            err.filename = self._archive.filename
            raise

    def _is_ours(self, err: OSError) -> bool:
        """Return whether the bundle itself can't be written."""
        return err.filename is not None and err.filename == self._archive.filename


@contextmanager
def new_archive(path: Path, is_forced: bool) -> Iterator[zipfile.ZipFile]:
    """Give an archive that has its name when the body ends well, and isn't there at all when it doesn't.

    Args:
        is_forced: a file of that name is replaced, in one step.
    Raises:
        FileExistsError: it is there and not `is_forced`. OSError: it can't be written.
    """
    place = path.with_name(f".{path.name[:100]}.{secrets.token_hex(6)}.part") if is_forced else path
    # Nothing is followed or shared: the name may lie in a folder that others write to.
    flags = os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(place, flags, FILE_MODE)
    try:
        with os.fdopen(descriptor, "w+b") as file:
            os.fchmod(descriptor, FILE_MODE)
            with zipfile.ZipFile(file, "w") as archive:
                archive.filename = str(place)
                yield archive
            file.flush()
            os.fsync(descriptor)
        if is_forced:
            place.replace(path)
    except BaseException:
        place.unlink(missing_ok=True)
        raise
