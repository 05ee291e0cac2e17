"""Oil and body through one stride, for many filters at once, and how they depend on everything in the state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.heat.damping_state import (
    BASE,
    BODY,
    EXTERNAL,
    G_MOVE,
    G_STILL,
    GUST,
    HA_MOVE,
    HA_REST,
    LOSS,
    OIL,
    SCALE,
    SIZE,
    SLOW,
    Stride,
)
from dutylog.heat.model import Capacities

Floats = NDArray[np.float64]

LOGS = np.zeros((SIZE, 5))
"""Logarithms of heat's factor, hA at rest, hA moving, G still, G stirred, out of the state."""
LOGS[[SCALE, BASE, LOSS], 0] = 1.0
LOGS[[HA_REST, SLOW, GUST], 1] = LOGS[[HA_MOVE, SLOW, GUST], 2] = 1.0
LOGS[G_STILL, 3] = LOGS[G_MOVE, 4] = 1.0


@dataclass(frozen=True, slots=True)
class Flows:
    """What acts on the nodes over a stride, (k,) each: factor of the heat, parts of hA and G [W/K], G by motion."""

    scale: Floats
    rest: Floats
    moved: Floats
    still: Floats
    stir: Floats
    stirred: Floats

    @staticmethod
    def of(means: Floats, stride: Stride) -> Flows:
        """Return those of states (k, SIZE)."""
        scale, rest, moved, still, stir = np.exp(means @ LOGS).T
        return Flows(scale, rest, moved * stride.moved, still, stir, stir * stride.mean_rms_mps)

    @property
    def ha(self) -> Floats:
        """Return the conductance from body to air."""
        return self.rest + self.moved

    @property
    def g(self) -> Floats:
        """Return the conductance from oil to body."""
        return self.still + self.stirred


@dataclass(frozen=True, slots=True)
class Way:
    """Where the nodes go in a stride: ends, the body's mean, the middle, and the transition of a half.

    oo, ob, bo, bb: how oil (first letter) and body (second) at the end of a half depend on both at its start.
    """

    oil: Floats
    body: Floats
    mean_body: Floats
    middle_oil: Floats
    middle_body: Floats
    oo: Floats
    ob: Floats
    bo: Floats
    bb: Floats


def carry(nodes: Capacities, means: Floats, flows: Flows, stride: Stride) -> Way:
    """Return the way of states (k, SIZE).

    Source:
        Exact for a half's mean power and the stride's mean exchange, as heat/model.py; what exchange differs between
        halves acts as a source. Mean by Simpson's rule. tests/heat/test_damping_filter.py.
    """
    ha, g, half = flows.ha, flows.g, stride.half_s
    out, back, lost = g / nodes.oil_j_per_k, g / nodes.body_j_per_k, ha / nodes.body_j_per_k
    mean = -0.5 * (out + back + lost)
    root = np.sqrt(mean * mean - out * lost)
    slow, fast = np.exp((mean + root) * half), np.exp((mean - root) * half)
    middle, slope = 0.5 * (slow + fast), 0.5 * (slow - fast) / root
    oo, ob, bo, bb = middle - slope * (out + mean), slope * out, slope * back, middle - slope * (back + lost + mean)
    oil, body, external = means[:, OIL], means[:, BODY], means[:, EXTERNAL]
    places = [(oil, body)]
    for power, rms in zip(stride.power_w, stride.rms_mps, strict=True):
        more = (rms - stride.mean_rms_mps) * flows.stir * (oil - body)
        made = power * flows.scale - more
        body_end = stride.air_c + (made + more + external) / ha
        oil_end = body_end + made / g
        d_oil, d_body = oil - oil_end, body - body_end
        oil, body = oil_end + oo * d_oil + ob * d_body, body_end + bo * d_oil + bb * d_body
        places.append((oil, body))
    (_, start), (middle_oil, middle_body), _ = places
    return Way(oil, body, (start + 4.0 * middle_body + body) / 6.0, middle_oil, middle_body, oo, ob, bo, bb)


def fill_slopes(f: Floats, nodes: Capacities, flows: Flows, way: Way, stride: Stride) -> None:
    """Put into f (k, 2, SIZE) how oil and body at the end depend on the state at the start.

    Source:
        Exact for temperatures; for the rest what it does in the middle of the stride, carried on over a half
        (midpoint rule).
    """
    dt = stride.seconds
    oo, ob, bo, bb = way.oo, way.ob, way.bo, way.bb
    f[:, 0, OIL], f[:, 0, BODY] = oo * oo + ob * bo, ob * (oo + bb)
    f[:, 1, OIL], f[:, 1, BODY] = bo * (oo + bb), bb * bb + bo * ob
    heat = (stride.mean_w * dt / nodes.oil_j_per_k) * flows.scale
    f[:, 0, SCALE : LOSS + 1], f[:, 1, SCALE : LOSS + 1] = (oo * heat)[:, None], (bo * heat)[:, None]
    from_oil, from_body = (dt / nodes.oil_j_per_k) * np.stack([oo, bo]), (dt / nodes.body_j_per_k) * np.stack([ob, bb])
    f[:, :, EXTERNAL] = from_body.T
    cooled = (from_body * (stride.air_c - way.middle_body)).T
    f[:, :, SLOW] = f[:, :, GUST] = cooled * flows.ha[:, None]
    f[:, :, HA_REST] = cooled * flows.rest[:, None]
    f[:, :, HA_MOVE] = cooled * flows.moved[:, None]
    crossed = ((from_body - from_oil) * (way.middle_oil - way.middle_body)).T
    f[:, :, G_STILL] = crossed * flows.still[:, None]
    f[:, :, G_MOVE] = crossed * flows.stirred[:, None]
