"""A disk of a few megabytes in a mount namespace of its own: nothing of it is seen outside, nothing stays."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path


class SmallDisk:
    """A tmpfs that only processes started with `prefix` see; files are read through `outside`."""

    def __init__(self, mount_point, size):
        mount_point.mkdir()
        self.path = mount_point
        script = f'mount -t tmpfs -o size={size} small "$1" && echo ready && while read -r line; do eval "$line"; done'
        self._holder = subprocess.Popen(
            ["unshare", "-rm", "sh", "-c", script, "sh", str(mount_point)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        if self._holder.stdout.readline() != "ready\n":
            _, errors = self._holder.communicate()
            raise OSError(f"no small disk can be mounted here: {errors.strip()}")
        self.prefix = ["nsenter", "-t", str(self._holder.pid), "-U", "-m", "--preserve-credentials"]
        self.outside = Path(f"/proc/{self._holder.pid}/root{mount_point}")

    def fill(self, leave_bytes):
        """Take all room but some with a file that is no concern of ours."""
        count = (self.free_bytes() - leave_bytes) // 4096
        self.tell(f"head -c {count * 4096} /dev/zero > '{self.path}/ballast'")

    def make_room(self):
        """Take that file away."""
        self.tell(f"rm '{self.path}/ballast'")

    def tell(self, command):
        """Run a shell command inside and wait for its end."""
        self._holder.stdin.write(f"{command}; echo done $?\n")
        self._holder.stdin.flush()
        answer = self._holder.stdout.readline()
        if answer != "done 0\n":
            raise OSError(f"{command}: {answer!r}")

    def free_bytes(self):
        """Return the room left."""
        return shutil.disk_usage(self.outside).free

    def copy_out(self, target):
        """Copy all regular files to a folder outside, for the judge."""
        shutil.copytree(self.outside, target, ignore=shutil.ignore_patterns("*.sock"))
        return target

    def close(self):
        """Let the namespace and the disk go."""
        self._holder.stdin.close()
        self._holder.wait(10)
        self._holder.stdout.close()
        self._holder.stderr.close()
