"""What mud, sand and water do to a seal, by the owner's word: a factor on sliding for each row of use."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dutylog.ledger.life_entries import Dirt

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FACTORS = {"dust": 1.0, "water": 1.5, "sand": 2.0, "mud": 3.0}
"""Wear of a seal for the same sliding against an ordinary dusty road. Source: judgement; common practice has mud and
sand on the shaft among what ends seals early, no published source."""
CARRIED_RATIO = 0.5
"""Share of the excess that goes on after a trip while nobody has washed. Source: judgement."""
CARRIED_S = 10 * 3600.0
"""Running time after which what wasn't washed off has worn off. Source: judgement."""


def compute_dirt_factors(
    dirts: Sequence[Dirt], epochs: Ints, start_ns: Ints, duration_s: Floats, running_s: Floats
) -> Floats:
    """Return the factor (n,) of each row, at least 1.

    Args:
        dirts: what was told, oldest first; of one trip told twice the later counts.
        epochs, start_ns, duration_s: (n,) place and length of each row. running_s: (n,) running time at its start.
    """
    factors = np.ones(len(epochs))
    # A damper that wasn't on a trip has none of its mud.
    newest = {dirt.number: dirt for dirt in dirts}
    middle_ns = start_ns + np.rint(duration_s * 5e8).astype(np.int64)
    ordered = sorted(newest.values(), key=lambda dirt: dirt.trip)
    for place, dirt in enumerate(ordered):
        is_within = np.zeros(len(epochs), dtype=bool)
        for epoch, first_ns, last_ns in dirt.spans:
            is_within |= (epochs == epoch) & (middle_ns >= first_ns) & (middle_ns < last_ns)
        factors[is_within] = np.maximum(factors[is_within], FACTORS[dirt.what])
        if dirt.washed or not is_within.any():
            continue
        epoch, _, last_ns = dirt.spans[-1]
        is_later = (epochs > epoch) | ((epochs == epoch) & (middle_ns >= last_ns))
        washed = next((one.spans[-1] for one in ordered[place + 1 :] if one.washed), None)
        if washed is not None:
            is_later &= (epochs < washed[0]) | ((epochs == washed[0]) & (middle_ns < washed[2]))
        if not is_later.any():
            continue
        is_later &= running_s < running_s[is_later].min() + CARRIED_S
        carried = 1.0 + CARRIED_RATIO * (FACTORS[dirt.what] - 1.0)
        factors[is_later] = np.maximum(factors[is_later], carried)
    return factors
