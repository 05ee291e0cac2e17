"""Counts a ledger again and dies by SIGKILL at a step of it: `python recount_child.py DATA STAGE NUMBER`."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import contextmanager
from pathlib import Path

from dutylog.ledger import recount as recount_module
from dutylog.ledger import revisions
from dutylog.ledger.database import Database
from dutylog.ledger.ledger import Ledger


def main():
    data, wanted, left = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])

    def step(stage):
        nonlocal left
        if stage == wanted:
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    def after(owner, name, stage):
        plain = getattr(owner, name)

        def wrapped(*arguments, **options):
            done = plain(*arguments, **options)
            step(stage)
            return done

        setattr(owner, name, wrapped)

    after(revisions.Revision, "put_minute", "minute")
    after(revisions.Revision, "put_share", "share")
    after(revisions.Revision, "finish", "finish")
    after(Ledger, "rotate_backup", "backup")
    plain_write = Database.write

    @contextmanager
    def write(self):
        with plain_write(self) as connection:
            yield connection
            step("commit")
        step("done")

    Database.write = write
    recount_module.recount(data)


if __name__ == "__main__":
    main()
