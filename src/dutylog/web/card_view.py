"""What the page of a damper's duty card shows."""

from __future__ import annotations

from dataclasses import dataclass

from dutylog.bench.kept_card import KeptCard
from dutylog.bench.qr import Drawing
from dutylog.web.life_view import LifeBasis


@dataclass(frozen=True, slots=True)
class CardPage:
    """One damper's card. kept: None before the first one. problem: why it can't be shown, '' where all is well."""

    basis: LifeBasis
    kept: KeptCard | None
    drawing: Drawing | None
    problem: str = ""
