"""A whole body on four linear corners: heave, roll and pitch together, which the quarter cars leave out."""

from __future__ import annotations

import numpy as np

BODY_KG, ROLL_KGM2, PITCH_KGM2 = 2060.0, 750.0, 4200.0
"""Two tonnes with radii of gyration of 0.6 m across and 1.43 m along (judgement: an off-road vehicle)."""
CORNERS_M = ((1.55, 0.8), (1.55, -0.8), (-1.55, 0.8), (-1.55, -0.8))
"""Wheels ahead of the centre and to the left of it: front left, front right, rear left, rear right."""
BUMPER_M = 2.0
"""A hand pushes this far ahead of or behind the centre, above the track of the wheel."""
SPRINGS_N_PER_M, TYRE_N_PER_M, WHEEL_KG = (27e3, 27e3, 22.5e3, 22.5e3), 290e3, 67.0
STEP_S = 1e-3


def corner_travel_m(damping_nspm, pushed, push_n=500.0, seconds=4.0, press_s=0.4, letgo_s=0.1):
    """Return wheel travel (n, 4) [m], compression positive, 1 kHz, when a hand pushes at one corner and lets go.

    damping_nspm: of each corner at the wheel. Exact for force in steps of 1 ms: matrix exponential by
    scaling and squaring of its series.
    """
    lever = np.array([[1.0, y, -x] for x, y in CORNERS_M])  # heave, roll, pitch to the height of each corner
    springs, dampers = np.diag(SPRINGS_N_PER_M), np.diag(damping_nspm)
    mass = np.diag([BODY_KG, ROLL_KGM2, PITCH_KGM2, *(WHEEL_KG,) * 4])
    relative = np.hstack([lever, -np.eye(4)])
    tyres = np.zeros((7, 7))
    tyres[3:, 3:] = TYRE_N_PER_M * np.eye(4)
    stiffness, damping = relative.T @ springs @ relative + tyres, relative.T @ dampers @ relative
    hand = np.zeros(7)
    x, y = CORNERS_M[pushed]
    hand[:3] = [-1.0, -y, np.copysign(BUMPER_M, x)]
    system = np.zeros((15, 15))
    system[:7, 7:14] = np.eye(7)
    system[7:14, :7], system[7:14, 7:14] = -np.linalg.solve(mass, stiffness), -np.linalg.solve(mass, damping)
    system[7:14, 14] = np.linalg.solve(mass, hand)
    step = _exponential(system * STEP_S)
    time_s = np.arange(round(seconds / STEP_S)) * STEP_S
    press = 0.5 - 0.5 * np.cos(np.pi * np.clip(time_s / press_s, 0.0, 1.0))
    force = push_n * press * (0.5 + 0.5 * np.cos(np.pi * np.clip((time_s - press_s) / letgo_s, 0.0, 1.0)))
    state, states = np.zeros(15), np.empty((len(time_s), 7))
    for number, newton in enumerate(force):
        state[14] = newton
        states[number] = state[:7]
        state = step @ state
    return -(states @ relative.T)


def _exponential(matrix):
    halvings = 8
    scaled, term, total = matrix / 2**halvings, np.eye(len(matrix)), np.eye(len(matrix))
    for number in range(1, 12):
        term = term @ scaled / number
        total = total + term
    for _ in range(halvings):
        total = total @ total
    return total
