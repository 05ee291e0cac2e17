"""A profile as a vehicle file writes it: for a damper that came back with another force curve (shared/CONFIG.md)."""

from __future__ import annotations

from dutylog.domain.vehicle import LEAD_DAYS, ForceCurve, Profile
from dutylog.units import PA_PER_BAR

_POINTS_A_LINE = 6


def profile_text(profile: Profile) -> str:
    """Return the block [profile.NAME], which reads back as the same profile within rounding of its decimals."""
    lines = [
        f"[profile.{profile.name}]",
        f"stroke_mm = {_number(profile.stroke_m * 1e3)}",
        f"shaft_diameter_mm = {_number(profile.shaft_diameter_m * 1e3)}",
        f"bore_diameter_mm = {_number(profile.bore_diameter_m * 1e3)}",
        *(
            f"{key} = {_number(getattr(profile, key))}"
            for key in ("oil_mass_kg", "body_mass_kg", "heat_capacity_j_per_k", "fade_per_k", "reference_c")
        ),
        f"body_limit_c = {_number(profile.body_limit_c)}",
    ]
    if profile.oil_limit_c is not None:
        lines.append(f"oil_limit_c = {_number(profile.oil_limit_c)}")
    if profile.has_base_valve is not None:
        lines.append(f"base_valve = {str(profile.has_base_valve).lower()}")
    if profile.charge_pa is not None:
        lines.append(f"charge_bar = {_number(profile.charge_pa / PA_PER_BAR)}")
    if profile.gas_volume_m3 is not None:
        lines.append(f"gas_volume_ml = {_number(profile.gas_volume_m3 * 1e6)}")
    lines += [f'{key} = "{getattr(profile, key)}"' for key in ("construction", "reservoir", "joints")]
    if not profile.is_rebuildable:
        lines.append("rebuildable = false")
    if profile.lead_days != LEAD_DAYS:
        lines.append(f"lead_days = {profile.lead_days}")
    return "\n".join([*lines, *_force(profile)]) + "\n"


def _force(profile: Profile) -> list[str]:
    if len(profile.force) == 1:
        return _curve(profile.force[0].curve)
    lines = []
    for at in profile.force:
        lines += ["", f"[[profile.{profile.name}.force_at]]", f"travel_mm = {_number(at.travel_m * 1e3)}"]
        lines += _curve(at.curve)
    return lines


def _curve(curve: ForceCurve) -> list[str]:
    pairs = [
        f"[{_number(speed)}, {_number(force)}]" for speed, force in zip(curve.speeds_mps, curve.forces_n, strict=True)
    ]
    rows = [", ".join(pairs[at : at + _POINTS_A_LINE]) for at in range(0, len(pairs), _POINTS_A_LINE)]
    return ["force_curve = [", *(f"    {row}," for row in rows), "]"]


def _number(value: float) -> str:
    """Return a decimal that TOML reads as a float, to twelve figures: beyond them is what a conversion left over."""
    text = f"{float(value):.12g}"
    return text if any(sign in text for sign in ".en") else f"{text}.0"
