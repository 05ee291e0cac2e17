"""Repairs a trip and is gone before it can answer. Arguments: ledger, key of the trip."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from dutylog.ledger.command import apply_command
from dutylog.ledger.ledger import Ledger

ledger = Ledger.open(Path(sys.argv[1]))
apply_command(
    ledger, {"schema": 1, "command": "trip_not_driven", "trip": sys.argv[2], "why": "dyno", "by": "Ada", "note": None}
)
os.kill(os.getpid(), signal.SIGKILL)
