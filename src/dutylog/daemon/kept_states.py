"""What the ledger keeps of a unit, for whichever thread asks: units come seldom, so each time by a new connection."""

from __future__ import annotations

import json
import zlib
from pathlib import Path

from dutylog.duty.damper_duty import DamperDuty
from dutylog.engine.engine import is_named
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import KeptHeat


class KeptStates:
    """Reads the states of named units; of a place's stand-in the ledger knows nothing.

    Each method raises LedgerError where the ledger can't be read, LedgerCorrupt where it is damaged.
    """

    def __init__(self, path: Path) -> None:
        """path: the ledger's file."""
        self._path = path

    def duty(self, unit_id: str) -> DamperDuty | None:
        """Return what a unit has done so far, None for nothing."""
        if not is_named(unit_id):
            return None
        with Ledger.open(self._path, read_only=True) as ledger:
            state = ledger.cold_state(unit_id)
        with decoding(self._path, f"the state of damper {unit_id}"):
            return None if state is None else DamperDuty.from_dict(json.loads(zlib.decompress(state)))

    def heat(self, unit_id: str, position: str) -> KeptHeat | None:
        """Return what is known of a unit's heat in a place, None for nothing."""
        if not is_named(unit_id):
            return None
        with Ledger.open(self._path, read_only=True) as ledger:
            return ledger.kept_heat(unit_id, position)
