"""Two nodes, oil and body, and the exact way from one instant to a later one while nothing outside changes.

C_oil dT_oil/dt = P - G (T_oil - T_body); C_body dT_body/dt = G (T_oil - T_body) - hA (T_body - T_air) + Q.
Source: energy balance of two lumps; shared/CONVENTIONS.md has the signs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError

Floats = NDArray[np.float64]
Value = float | Floats

OIL_J_PER_KG_K = 1900.0
"""Specific heat of damper oil [J/(kg K)], fixed by the definition of `heat_capacity_j_per_k` (shared/CONFIG.md)."""


@dataclass(frozen=True, slots=True)
class Capacities:
    """Heat capacity of oil and body [J/K], both > 0; numbers or arrays that broadcast."""

    oil_j_per_k: Value
    body_j_per_k: Value

    @staticmethod
    def of(profile: Profile) -> Capacities:
        """Return those of a profile; oil in a reservoir takes no part."""
        oil = profile.oil_mass_kg * OIL_J_PER_KG_K
        return Capacities(oil, profile.heat_capacity_j_per_k - oil)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What acts on the nodes; numbers or arrays that broadcast.

    power_w: heat made in the oil. g_w_per_k: oil to body, > 0. ha_w_per_k: body to air, > 0. air_c: air.
    external_w: heat from elsewhere into the body, such as an exhaust.
    """

    power_w: Value
    g_w_per_k: Value
    ha_w_per_k: Value
    air_c: Value
    external_w: Value = 0.0


def plateau(around: Surroundings) -> tuple[Floats, Floats]:
    """Return oil and body [degC] once nothing changes any more: all heat goes through the body into the air."""
    body = np.asarray(around.air_c + (around.power_w + around.external_w) / around.ha_w_per_k)
    return np.asarray(body + around.power_w / around.g_w_per_k), body


def transition(nodes: Capacities, around: Surroundings, seconds: Value) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the four parts (oil from oil, oil from body, body from oil, body from body) of the way to the plateau.

    A distance (d_oil, d_body) from the plateau becomes (oo d_oil + ob d_body, bo d_oil + bb d_body).

    Raises:
        InputError: a capacity or conductance that isn't above 0, or seconds below 0.
    Source:
        exp(A t) = exp(s t) (cosh(q t) I + sinh(q t) / q (A - s I)), s half the trace of A and
        q^2 = s^2 - det A > 0 (Cayley-Hamilton); tests/heat/test_model.py against reference/04_two_node.
    """
    positive = (nodes.oil_j_per_k, nodes.body_j_per_k, around.g_w_per_k, around.ha_w_per_k)
    if any(np.any(np.asarray(value) <= 0.0) for value in positive) or np.any(np.asarray(seconds) < 0.0):
        raise InputError("heat capacities and conductances must be above 0, and time must not run backwards")
    out = np.asarray(around.g_w_per_k / nodes.oil_j_per_k)
    back = np.asarray(around.g_w_per_k / nodes.body_j_per_k)
    loss = np.asarray(around.ha_w_per_k / nodes.body_j_per_k)
    half = -0.5 * (out + back + loss)
    root = np.sqrt(half * half - out * loss)
    # Both exponents are below 0, so nothing overflows however long the time.
    slow, fast = np.exp((half + root) * seconds), np.exp((half - root) * seconds)
    middle, slope = 0.5 * (slow + fast), 0.5 * (slow - fast) / root
    return middle + slope * (-out - half), slope * out, slope * back, middle + slope * (-back - loss - half)


def advance(
    nodes: Capacities, around: Surroundings, oil_c: Value, body_c: Value, seconds: Value
) -> tuple[Floats, Floats]:
    """Return oil and body [degC] after `seconds` [s] of unchanged surroundings; exact, whatever the time.

    Raises:
        InputError: see `transition`.
    """
    oo, ob, bo, bb = transition(nodes, around, seconds)
    oil_end, body_end = plateau(around)
    d_oil, d_body = oil_c - oil_end, body_c - body_end
    return oil_end + oo * d_oil + ob * d_body, body_end + bo * d_oil + bb * d_body
