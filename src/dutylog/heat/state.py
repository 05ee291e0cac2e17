"""What is known of a damper's heat at an instant: temperatures, conductances, and how sure each is."""

from __future__ import annotations

import math
from dataclasses import dataclass

MOVE_EXPONENT = 0.8
"""Power of the vehicle's speed in hA(speed). Source: forced convection over a turbulent surface, common practice;
heat/priors.py fits it to a published correlation."""


@dataclass(frozen=True, slots=True)
class Laws:
    """How conductances follow driving: hA = ha_rest + ha_move speed^0.8, G = g_still + g_move rms(shaft speed).

    Each > 0 [W/K], the moving parts for speeds in m/s. *_log_sd: standard deviation of its natural logarithm.
    """

    ha_rest_w_per_k: float
    ha_move: float
    g_still_w_per_k: float
    g_move_w_per_k_per_mps: float
    ha_rest_log_sd: float
    ha_move_log_sd: float
    g_still_log_sd: float
    g_move_log_sd: float

    def ha_w_per_k(self, speed_mps: float) -> float:
        """Return the conductance from body to air [W/K] at a vehicle speed [m/s]."""
        return float(self.ha_rest_w_per_k + self.ha_move * max(speed_mps, 0.0) ** MOVE_EXPONENT)

    def g_w_per_k(self, rms_mps: float) -> float:
        """Return the conductance from oil to body [W/K] at an rms of the shaft speed [m/s]."""
        return self.g_still_w_per_k + self.g_move_w_per_k_per_mps * max(rms_mps, 0.0)


@dataclass(frozen=True, slots=True)
class HeatState:
    """One damper at an instant.

    oil_c, body_c: estimates; covariance_k2: ((oil oil, oil body), (body oil, body body)) of their errors.
    ha_w_per_k, g_w_per_k: conductances now, at the present speed and motion, with the standard deviation of
    their natural logarithm. external_w: heat from elsewhere into the body. air_c: air as known or assumed.
    laws: how the conductances would be at other speeds and motion; None where nobody told. heat_error: by which part
    of itself the heat computed falls short of the heat that is made, as far as the body's temperature tells.
    """

    oil_c: float
    body_c: float
    covariance_k2: tuple[tuple[float, float], tuple[float, float]]
    ha_w_per_k: float
    ha_log_sd: float
    g_w_per_k: float
    g_log_sd: float
    external_w: float
    external_sd_w: float
    air_c: float
    air_sd_k: float = 0.0
    laws: Laws | None = None
    heat_error: float = 0.0

    @property
    def oil_sd_k(self) -> float:
        """Return the standard deviation of the oil's temperature [K]."""
        return math.sqrt(max(self.covariance_k2[0][0], 0.0))

    @property
    def body_sd_k(self) -> float:
        """Return the standard deviation of the body's temperature [K]."""
        return math.sqrt(max(self.covariance_k2[1][1], 0.0))
