"""When the engine gathers noise by travel, and when it looks for worn spots."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.engine.epoch_run import PreparedSpan
from dutylog.motion.worn_spot import WornSpotJudge

WORN_SPOT = "worn_spot"
WORN_TILES = 60
"""A worn spot takes minutes to show, so it is looked for once a minute."""


class WornSensors:
    """The travel sensors of all places, in the vehicle's order; a sensor stays when a damper goes."""

    def __init__(self, places: int) -> None:
        self._judge = WornSpotJudge(places)

    @property
    def found_mm(self) -> list[tuple[int, int] | None]:
        """Return between which travel [mm] each sensor is worn, None where it isn't."""
        return self._judge.found_mm

    def take(self, span: PreparedSpan, steady: NDArray[np.bool_]) -> list[list[int]]:
        """Take tiles; return for each the places whose sensor proved worn with it.

        steady: (places, tiles) whether all of a tile is believed. The minute's end falls on the same
        tile however tiles are grouped.
        """
        travel, raw = span.travel_m.reshape(*steady.shape, -1), span.raw_m.reshape(*steady.shape, -1)
        worn: list[list[int]] = [[] for _ in span.tiles]
        start = 0
        for number, tile in enumerate(span.tiles):
            is_due = (tile.tile + 1) % WORN_TILES == 0
            if is_due or number == len(span.tiles) - 1:
                part = slice(start, number + 1)
                self._judge.add(travel[:, part], raw[:, part], steady[:, part])
                start = number + 1
            if is_due:
                worn[number] = self._judge.judge()
        return worn

    def to_list(self) -> list[Any]:
        """Return the state in JSON types."""
        return self._judge.to_list()

    def restore(self, data: list[Any]) -> None:
        """Take back what `to_list` gave."""
        self._judge = WornSpotJudge.from_list(data)
