"""A vehicle file that gains a profile: comments, order and the old profile stay, and it is whole at any moment."""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError

from dutylog.config.loader import parse_settings
from dutylog.config.profile_text import profile_text
from dutylog.domain.vehicle import Profile
from dutylog.errors import ConfigError


@dataclass(frozen=True, slots=True)
class Edit:
    """A change of a vehicle file that is ready to be made. positions: whose profile it names anew."""

    path: Path
    before: bytes
    after: bytes
    positions: tuple[str, ...]

    @property
    def is_nothing(self) -> bool:
        """Return whether the file says it all already."""
        return self.before == self.after


def prepare(path: Path, profile: Profile, positions: tuple[str, ...], was: frozenset[str]) -> Edit:
    """Return the change that gives a file a profile, and names it at the places that had one of `was`.

    Args:
        path: the vehicle file. positions: where the damper sits. was: names of its profiles before.
    Raises:
        ConfigError: the file can't be read, or wouldn't be one afterwards: one line for each problem.
    """
    # A link stays one: what it points at is replaced.
    path = path.resolve()
    try:
        before = path.read_bytes()
        text = before.decode("utf-8-sig")
        # As Python's own reader has it: a file that it takes but this one doesn't is left alone.
        document = tomlkit.parse(text)
    except (OSError, ValueError, TOMLKitError) as err:
        raise ConfigError([f"{path}: can't be added to: {' '.join(str(err).split())[:160]}"]) from err
    changed = []
    for damper in document.get("damper", []):
        if damper.get("position") in positions and damper.get("profile") in was:
            damper["profile"] = profile.name
            changed.append(str(damper["position"]))
    after = tomlkit.dumps(document)
    if profile.name not in document.get("profile", {}):
        after = after.rstrip("\n") + "\n\n" + profile_text(profile)
    elif not changed:
        after = text
    data = before if after == text else after.encode("utf-8")
    parse_settings(data, path)
    return Edit(path, before, data, tuple(changed))


def apply(edit: Edit) -> None:
    """Put the changed file in the place of the old one, at once or not at all; its rights and owner stay.

    Raises:
        ConfigError: it was changed meanwhile, or can't be written.
    """
    path, part = edit.path, edit.path.with_name(f"{edit.path.name}.part")
    try:
        if path.read_bytes() != edit.before:
            raise ConfigError([f"{path}: somebody changed it just now; add the profile by hand"])
        state = path.stat()
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(descriptor, "wb") as file:
                os.fchmod(file.fileno(), state.st_mode & 0o7777)
                with contextlib.suppress(PermissionError):
                    os.fchown(file.fileno(), state.st_uid, state.st_gid)
                file.write(edit.after)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)
    except OSError as err:
        raise ConfigError([f"{path}: can't be written ({err.strerror}); add the profile by hand"]) from err


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
