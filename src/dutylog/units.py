"""Conversions at the edge, exact by definition; inside the project everything is SI.

Source: international yard and pound agreement of 1959 (inch 0.0254 m, pound 0.45359237 kg),
standard gravity 9.80665 m/s2 (CGPM 1901), mile 1609.344 m, standard atmosphere 101 325 Pa,
0 degrees Celsius = 273.15 K (SI Brochure, 9th edition, section 2.3.1). A year is the Julian one of 365.25 days (IAU).
"""

from __future__ import annotations

M_PER_MM = 1e-3
M_PER_KM = 1000.0
M_PER_MILE = 1609.344
MM_PER_INCH = 25.4
M_PER_INCH = MM_PER_INCH * M_PER_MM
M_PER_FOOT = 12 * M_PER_INCH
K_PER_F = 5.0 / 9.0
MPS_PER_MPH = M_PER_MILE / 3600.0
KMPH_PER_MPS = 3.6
ZERO_C_IN_K = 273.15
PA_PER_PSI = 0.45359237 * 9.80665 / 0.0254**2
PA_PER_BAR = 1e5
PA_PER_KPA = 1e3
STANDARD_ATMOSPHERE_PA = 101_325.0
J_PER_UJ = 1e-6
NS_PER_S = 1_000_000_000
DAYS_PER_YEAR = 365.25
FS_PER_NS = 1_000_000
FS_PER_S = 1_000_000_000_000_000


def c_to_f(temperature_c: float) -> float:
    """Return a temperature in degrees Fahrenheit."""
    return temperature_c * 9.0 / 5.0 + 32.0


def f_to_c(temperature_f: float) -> float:
    """Return a temperature in degrees Celsius."""
    return (temperature_f - 32.0) * 5.0 / 9.0


def gauge_psi_to_pa_abs(pressure_psi: float, atmosphere_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
    """Return the absolute pressure [Pa] of a gauge reading [psi]."""
    return pressure_psi * PA_PER_PSI + atmosphere_pa
