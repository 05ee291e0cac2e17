"""Thermocouples of types K, T, J, N and E: voltage from temperature and back, by the reference functions of ITS-90.

Source of every coefficient: NIST Monograph 175 (1993) and its database SRD 60 ("ITS-90 Thermocouple Database"),
the functions that IEC 60584-1 and ASTM E230 print too. Checked against tests/data/reference/01_thermocouple_*.csv.

What adds up are voltages, never temperatures: a thermocouple between its hot end and a terminal at `cold_c`
gives E(hot) - E(cold). The way back is found by halving, not by the published inverse polynomials, which are
good to 0.05 K only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dutylog.errors import InputError

LOWEST_C = -200.0
"""The functions go on to -270 (J: -210) °C, but the voltage hardly changes there; judgement."""
END_SLACK_MV = 0.0005
"""Half the last digit of a printed table, so that the printed end of a range still belongs to it (0.01 K)."""
HALVINGS = 50
"""1600 K / 2**50 is below the spacing of floats at 1000 °C."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Up to upper_c [°C]: E [mV] = sum of coefficients[i] t^i + bump[0] exp(bump[1] (t - bump[2])^2)."""

    upper_c: float
    coefficients: tuple[float, ...]
    bump: tuple[float, float, float] | None = None


# fmt: off
PIECES: dict[str, tuple[Piece, ...]] = {
    "K": (
        Piece(0.0, (
            0.0, 3.94501280250e-2, 2.36223735980e-5, -3.28589067840e-7, -4.99048287770e-9, -6.75090591730e-11,
            -5.74103274280e-13, -3.10888728940e-15, -1.04516093650e-17, -1.98892668780e-20, -1.63226974860e-23,
        )),
        Piece(1372.0, (
            -1.76004136860e-2, 3.89212049750e-2, 1.85587700320e-5, -9.94575928740e-8, 3.18409457190e-10,
            -5.60728448890e-13, 5.60750590590e-16, -3.20207200030e-19, 9.71511471520e-23, -1.21047212750e-26,
        ), (1.18597600000e-1, -1.18343200000e-4, 1.26968600000e2)),
    ),
    "T": (
        Piece(0.0, (
            0.0, 3.87481063640e-2, 4.41944343470e-5, 1.18443231050e-7, 2.00329735540e-8, 9.01380195590e-10,
            2.26511565930e-11, 3.60711542050e-13, 3.84939398830e-15, 2.82135219250e-17, 1.42515947790e-19,
            4.87686622860e-22, 1.07955392700e-24, 1.39450270620e-27, 7.97951539270e-31,
        )),
        Piece(400.0, (
            0.0, 3.87481063640e-2, 3.32922278800e-5, 2.06182434040e-7, -2.18822568460e-9, 1.09968809280e-11,
            -3.08157587720e-14, 4.54791352900e-17, -2.75129016730e-20,
        )),
    ),
    "J": (
        Piece(760.0, (
            0.0, 5.03811878150e-2, 3.04758369300e-5, -8.56810657200e-8, 1.32281952950e-10, -1.70529583370e-13,
            2.09480906970e-16, -1.25383953360e-19, 1.56317256970e-23,
        )),
        Piece(1200.0, (
            2.96456256810e2, -1.49761277860e0, 3.17871039240e-3, -3.18476867010e-6, 1.57208190040e-9,
            -3.06913690560e-13,
        )),
    ),
    "N": (
        Piece(0.0, (
            0.0, 2.61591059620e-2, 1.09574842280e-5, -9.38411115540e-8, -4.64120397590e-11, -2.63033577160e-12,
            -2.26534380030e-14, -7.60893007910e-17, -9.34196678350e-20,
        )),
        Piece(1300.0, (
            0.0, 2.59293946010e-2, 1.57101418800e-5, 4.38256272370e-8, -2.52611697940e-10, 6.43118193390e-13,
            -1.00634715190e-15, 9.97453389920e-19, -6.08632456070e-22, 2.08492293390e-25, -3.06821961510e-29,
        )),
    ),
    "E": (
        Piece(0.0, (
            0.0, 5.86655087080e-2, 4.54109771240e-5, -7.79980486860e-7, -2.58001608430e-8, -5.94525830570e-10,
            -9.32140586670e-12, -1.02876055340e-13, -8.03701236210e-16, -4.39794973910e-18, -1.64147763550e-20,
            -3.96736195160e-23, -5.58273287210e-26, -3.46578420130e-29,
        )),
        Piece(1000.0, (
            0.0, 5.86655087100e-2, 4.50322755820e-5, 2.89084072120e-8, -3.30568966520e-10, 6.50244032700e-13,
            -1.91974955040e-16, -1.25366004970e-18, 2.14892175690e-21, -1.43880417820e-24, 3.59608994810e-28,
        )),
    ),
}
# fmt: on
KINDS = tuple(PIECES)


def range_c(kind: str) -> tuple[float, float]:
    """Return the temperatures [°C] a type is good for, ends included; InputError for another letter."""
    if kind not in PIECES:
        raise InputError(f"thermocouple type {kind!r}, known are {', '.join(KINDS)}")
    return LOWEST_C, PIECES[kind][-1].upper_c


def compute_emf_mv(kind: str, temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Return the voltage of a thermocouple whose other end is at 0 °C.

    Args:
        kind: letter of the type, one of KINDS.
        temperature_c: any shape [°C].
    Returns:
        The same shape [mV]; NaN where the temperature is NaN or outside `range_c`.
    Raises:
        InputError: a type that isn't known.
    Source:
        NIST Monograph 175, the reference functions of ITS-90 (see the module).
    """
    low_c, high_c = range_c(kind)
    at_c = np.asarray(temperature_c, dtype=np.float64)
    emf_mv = np.full(at_c.shape, np.nan)
    lower_c = -np.inf
    for piece in PIECES[kind]:
        inside = (at_c >= low_c) & (at_c <= high_c) & (at_c > lower_c) & (at_c <= piece.upper_c)
        emf_mv[inside] = _evaluate(piece, at_c[inside])
        lower_c = piece.upper_c
    return emf_mv


def _evaluate(piece: Piece, at_c: NDArray[np.float64]) -> NDArray[np.float64]:
    total_mv = np.zeros_like(at_c)
    for coefficient in reversed(piece.coefficients):
        total_mv = total_mv * at_c + coefficient
    if piece.bump is not None:
        height_mv, width, middle_c = piece.bump
        total_mv = total_mv + height_mv * np.exp(width * (at_c - middle_c) ** 2)
    return total_mv


def compute_temperature_c(kind: str, emf_mv: ArrayLike) -> NDArray[np.float64]:
    """Return the temperature that gives a voltage when the other end is at 0 °C.

    Args:
        kind: letter of the type, one of KINDS.
        emf_mv: any shape [mV].
    Returns:
        The same shape [°C]; NaN where the voltage is NaN or belongs to no temperature in `range_c`.
    Raises:
        InputError: a type that isn't known.
    Source:
        The functions rise all over `range_c` (test_voltage_rises_with_temperature), so halving finds the one answer.
    """
    low_c, high_c = range_c(kind)
    sought_mv = np.asarray(emf_mv, dtype=np.float64)
    least_mv, most_mv = compute_emf_mv(kind, [low_c, high_c])
    lower_c = np.full(sought_mv.shape, low_c)
    upper_c = np.full(sought_mv.shape, high_c)
    for _ in range(HALVINGS):
        middle_c = (lower_c + upper_c) / 2
        is_above = compute_emf_mv(kind, middle_c) < sought_mv
        lower_c = np.where(is_above, middle_c, lower_c)
        upper_c = np.where(is_above, upper_c, middle_c)
    is_inside = (sought_mv >= least_mv - END_SLACK_MV) & (sought_mv <= most_mv + END_SLACK_MV)
    return np.where(is_inside, (lower_c + upper_c) / 2, np.nan)


def compute_hot_c(kind: str, measured_mv: ArrayLike, cold_c: ArrayLike) -> NDArray[np.float64]:
    """Return the temperature of the hot end from the voltage at the terminal and the terminal's temperature.

    Args:
        kind: letter of the type, one of KINDS.
        measured_mv: any shape [mV].
        cold_c: temperature of the terminal [°C], a shape that fits.
    Returns:
        The common shape [°C]; NaN where an argument is NaN or a temperature leaves `range_c`.
    Raises:
        InputError: a type that isn't known, or shapes that don't fit.
    Source:
        Law of intermediate temperatures: E(hot) = measured + E(cold); NIST Monograph 175, section 2.
    """
    try:
        measured, cold = np.broadcast_arrays(
            np.asarray(measured_mv, dtype=np.float64), np.asarray(cold_c, dtype=np.float64)
        )
    except ValueError as err:
        raise InputError(f"voltages {np.shape(measured_mv)} and cold ends {np.shape(cold_c)} don't fit") from err
    return compute_temperature_c(kind, measured + compute_emf_mv(kind, cold))
