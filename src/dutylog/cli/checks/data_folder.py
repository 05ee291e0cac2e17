"""Is the data folder there, whose is it, and can it be written to?"""

from __future__ import annotations

import os
import pwd
import stat
from itertools import islice
from pathlib import Path

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, look, passed
from dutylog.cli.checks.scene import Scene
from dutylog.recording.segments import LOG_FOLDER

SUBJECT = "data folder"
MOST_LOOKED_AT = 2000
"""Names whose owner is looked at: all files of a folder and the log's segments of two weeks of driving."""


def check_data_folder(scene: Scene) -> list[Finding]:
    """Return whether the folder can be used, by whom, and who else can read it."""
    folder = scene.data_dir
    if folder is None:
        return []
    try:
        status = folder.stat()
    except FileNotFoundError:
        return [_missing(folder)]
    except OSError as err:
        return [fail(SUBJECT, f"{folder}: {err.strerror}", "check the path and the rights of the folders above it")]
    if not stat.S_ISDIR(status.st_mode):
        return [fail(SUBJECT, f"{folder} is no folder", "name a folder with data.dir or --data")]
    return [_owner(folder, status), *_mode(folder, status), *_strangers(folder, status.st_uid)]


def _missing(folder: Path) -> Finding:
    above = next((parent for parent in folder.absolute().parents if parent.exists()), Path("/"))
    if os.access(above, os.W_OK | os.X_OK, effective_ids=True):
        return look(SUBJECT, f"{folder} isn't there yet", "nothing: `dutylog run` makes it; or correct data.dir")
    return fail(
        SUBJECT,
        f"{folder} isn't there and can't be made in {above} by {_user(os.geteuid())}",
        "make it, owned by the user dutylog runs as, mode 0750",
    )


def _owner(folder: Path, status: os.stat_result) -> Finding:
    owner, who = _user(status.st_uid), _user(os.geteuid())
    seen = f"{folder}, mode {stat.S_IMODE(status.st_mode):04o}, belongs to {owner}"
    if os.access(folder, os.W_OK | os.X_OK, effective_ids=True):
        return passed(SUBJECT, f"{seen}; {who} may write to it")
    # The mount as such is the disk's subject; here it would look like a matter of rights.
    if os.statvfs(folder).f_flag & os.ST_RDONLY:
        return look(SUBJECT, f"{seen}; nobody can write to it, see disk", "see disk")
    if status.st_uid != os.geteuid():
        return look(
            SUBJECT,
            f"{seen}; {who}, who runs this check, may not write to it",
            f"run the check as {owner}, as dutylog itself runs; else chown -R {who} {folder}",
        )
    return fail(SUBJECT, f"{seen}; {who} may not write to it", f"chmod 750 {folder}")


def _mode(folder: Path, status: os.stat_result) -> list[Finding]:
    mode = stat.S_IMODE(status.st_mode)
    if mode & stat.S_IWOTH:
        return [fail(SUBJECT, f"{folder}: mode {mode:04o}, every user can change the ledger", f"chmod 750 {folder}")]
    if mode & stat.S_IRWXO:
        return [look(SUBJECT, f"{folder}: mode {mode:04o}, every user can look in", f"chmod 750 {folder}")]
    return []


def _strangers(folder: Path, owner: int) -> list[Finding]:
    """Return a finding where files inside belong to somebody else: what a start with other rights leaves behind."""
    found: list[str] = []
    for place in (folder, folder / LOG_FOLDER):
        try:
            with os.scandir(place) as entries:
                for entry in islice(entries, MOST_LOOKED_AT):
                    if entry.stat(follow_symlinks=False).st_uid != owner:
                        found.append(entry.name)
        except OSError:
            continue
    if not found:
        return []
    text = f"{len(found)} of its files belong to another user than the folder, such as {sorted(found)[0]}"
    return [fail(SUBJECT, text, f"stop dutylog, then chown -R {_user(owner)} {folder}")]


def _user(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return f"user {number}"
