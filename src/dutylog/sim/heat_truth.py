"""Two-node heat of a damper, oil and body, as the simulated vehicle really has it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError

Floats = NDArray[np.float64]

MOTION_WINDOW_S = 5.0
"""Time constant with which oil exchange follows shaft motion (judgement: a few strokes of mixing)."""


@dataclass(frozen=True, slots=True)
class HeatParameters:
    """Heat capacities [J/K] and conductances [W/K]; each broadcasts to (runs, wheels).

    G(oil to body) = still + move * rms of the shaft speed; hA(body to air) = ha_rest + ha_move * speed^0.8.
    external_w: heat from elsewhere into the body, such as an exhaust.
    """

    oil_j_per_k: Floats
    body_j_per_k: Floats
    g_still_w_per_k: Floats
    g_move_w_per_k_per_mps: Floats
    ha_rest_w_per_k: Floats
    ha_move: Floats
    external_w: Floats


class TwoNodeHeat:
    """Oil and body temperatures over (runs, wheels), stepped with the heat that went in.

    C_oil dT_oil/dt = P - G (T_oil - T_body); C_body dT_body/dt = G (T_oil - T_body)
    - hA (T_body - T_air) + Q_external.
    """

    def __init__(self, parameters: HeatParameters, start_c: Floats) -> None:
        self.parameters = parameters
        self.oil_c: Floats = np.array(start_c, dtype=np.float64)
        self.body_c: Floats = np.array(start_c, dtype=np.float64)
        self.mean_square: Floats = np.zeros_like(self.oil_c)

    def g_w_per_k(self) -> Floats:
        """Return the conductance between oil and body [W/K] at the present motion."""
        p = self.parameters
        return p.g_still_w_per_k + p.g_move_w_per_k_per_mps * np.sqrt(self.mean_square)

    def ha_w_per_k(self, speed_mps: float) -> Floats:
        """Return the conductance between body and air [W/K] at a vehicle speed [m/s].

        Source:
            Exponent 0.8 of forced convection over a turbulent surface, common practice; magnitude held
            against published cylinder correlations in test_heat_truth.py.
        """
        p = self.parameters
        return np.asarray(p.ha_rest_w_per_k + p.ha_move * max(speed_mps, 0.0) ** 0.8)

    def advance(
        self, power_w: Floats, speed_square: Floats, speed_mps: float, ambient_c: float, seconds: float
    ) -> None:
        """Move on by `seconds` with everything outside held constant.

        Args:
            power_w: (runs, wheels) heat into the oil [W].
            speed_square: (runs, wheels) mean square of the shaft speed [m2/s2].
            speed_mps, ambient_c: of the vehicle and the air.
        Raises:
            InputError: seconds <= 0.
        Source:
            Classical Runge-Kutta of order 4; test_heat_truth.py::test_two_nodes_match_the_reference.
        """
        if seconds <= 0.0:
            raise InputError(f"heat step of {seconds} s, expected more than 0")
        keep = np.exp(-seconds / MOTION_WINDOW_S)
        self.mean_square = keep * self.mean_square + (1.0 - keep) * speed_square
        self.step(power_w, self.g_w_per_k(), self.ha_w_per_k(speed_mps), ambient_c, seconds)

    def step(self, power_w: Floats, g_w_per_k: Floats, ha_w_per_k: Floats, ambient_c: float, seconds: float) -> None:
        """Move on by `seconds` at given conductances [W/K]."""
        p = self.parameters

        def rates(oil: Floats, body: Floats) -> tuple[Floats, Floats]:
            across_w = g_w_per_k * (oil - body)
            body_w = across_w - ha_w_per_k * (body - ambient_c) + p.external_w
            return (power_w - across_w) / p.oil_j_per_k, body_w / p.body_j_per_k

        oil, body, half = self.oil_c, self.body_c, 0.5 * seconds
        a_oil, a_body = rates(oil, body)
        b_oil, b_body = rates(oil + half * a_oil, body + half * a_body)
        c_oil, c_body = rates(oil + half * b_oil, body + half * b_body)
        d_oil, d_body = rates(oil + seconds * c_oil, body + seconds * c_body)
        self.oil_c = oil + seconds / 6.0 * (a_oil + 2.0 * (b_oil + c_oil) + d_oil)
        self.body_c = body + seconds / 6.0 * (a_body + 2.0 * (b_body + c_body) + d_body)
