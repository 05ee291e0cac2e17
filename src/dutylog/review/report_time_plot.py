"""The report's drawing over time: road, heat, body temperature and hits, a panel for each damper on common scales."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from dutylog.domain.quantity import US
from dutylog.review.report_svg import GREY, Plot, make_figure, name_of, to_svg
from dutylog.review.trip_data import (
    BOTTOMED,
    BUMP_STOP,
    GRADED,
    JUMPS,
    PARKED,
    ROUGH,
    STRAP,
    STREET,
    TOPPED_OUT,
    WASHBOARD,
    DamperData,
    Floats,
    Singles,
    TripData,
)
from dutylog.units import c_to_f

ROAD_HATCHES = {STREET: "", GRADED: "..", WASHBOARD: "||||", ROUGH: "xxx", JUMPS: "///", PARKED: "---"}
ROAD_SIGNS = {STREET: "S", GRADED: "G", WASHBOARD: "W", ROUGH: "R", JUMPS: "J", PARKED: "P"}
CONTACT_MARKERS = {
    BUMP_STOP: ("v", "white", 0.95),
    BOTTOMED: ("v", "black", 0.95),
    STRAP: ("^", "white", 0.85),
    TOPPED_OUT: ("^", "black", 0.85),
}
"""Shape, filling and height in the panel. Down is toward the bump stop, up toward full extension."""
TIME_BINS = 360
"""Columns of a drawing over time: about half a millimetre each on paper."""
_MARKERS_MOST = 60
"""Hits of a kind drawn for one damper, the hardest: more would be a black bar."""
_NEAR_LIMIT_K = 40.0
"""The limit is drawn when a body came nearer than this; else its line would flatten all others. Judgement."""


@dataclass(frozen=True, slots=True)
class _Scales:
    """What all panels share, so that a longer line is a hotter damper: power [W], temperatures [C], NaN where none."""

    top_w: float
    low_c: float
    high_c: float


def draw_over_time(data: TripData, system: str) -> Plot:
    """Return the drawing of a trip that has rows and dampers."""
    dampers, bins = data.dampers, _TimeBins(data)
    columns = min(2, len(dampers))
    rows = math.ceil(len(dampers) / columns)
    figure, axes = make_figure(
        0.42 + min(1.22 * rows, 5.2),
        rows + 1,
        columns,
        sharex=True,
        gridspec_kw={"height_ratios": [0.2, *[1.0] * rows]},
    )
    scales = _find_scales(data, bins)
    for axis in axes[0]:
        _draw_roads(axis, data)
    for place, axis in enumerate(axes[1:].ravel()):
        if place < len(dampers):
            _draw_damper(axis, data, dampers[place], bins, scales, system)
        else:
            axis.set_axis_off()
            axes[-2, place % columns].tick_params(labelbottom=True)
    for axis in axes[-1]:
        _mark_hours(axis, data.end_s)
    unit = "°F" if system == US else "°C"
    text = (
        f"For each damper over time: grey area heat in watts (right scale), black line body temperature in {unit} "
        "(left scale), dotted the air, dashed the limit of its profile where that is near. Triangles at the top: down "
        "and white reached the bump stop, down and black bottomed; up and white pulled the strap taut, up and black "
        "topped out. "
        "Road above: S street, G graded, W washboard, R rough, J jumps, P parked."
    )
    return Plot("time", "Body temperature and heat over time", text, to_svg(figure, "time"))


def _find_scales(data: TripData, bins: _TimeBins) -> _Scales:
    powers_w = np.concatenate([[1.0], *(bins.rate(damper.energy_uj / 1e6) for damper in data.dampers)])
    seen_c = np.concatenate([bins.highest(values) for values in (data.ambient_c, *(d.body_c for d in data.dampers))])
    if not np.isfinite(seen_c).any():
        return _Scales(float(np.nanmax(powers_w)), math.nan, math.nan)
    low_c, high_c = float(np.nanmin(seen_c)), float(np.nanmax(seen_c))
    near_c = [
        limit for one in data.dampers if (limit := _limit_c(data, one)) is not None and limit < high_c + _NEAR_LIMIT_K
    ]
    return _Scales(float(np.nanmax(powers_w)), low_c, max([high_c, *near_c]))


def _draw_roads(axis: Any, data: TripData) -> None:
    """Draw a strip of the kinds of road: a hatch each, and a letter where there is room."""
    for one in data.segments:
        wide = one.end_s - one.start_s
        axis.axvspan(one.start_s, one.end_s, facecolor="white", edgecolor=GREY, hatch=ROAD_HATCHES[one.kind], lw=0)
        axis.axvline(one.start_s, color="black", lw=0.4)
        if wide >= 0.025 * data.end_s:
            box = {"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none"}
            middle = (one.start_s + one.end_s) / 2
            sign = axis.text(middle, 0.48, ROAD_SIGNS[one.kind], ha="center", va="center", bbox=box, fontsize=7)
            sign.set_in_layout(False)
    axis.set_yticks([])
    axis.set_ylim(0, 1)
    axis.tick_params(bottom=False)
    axis.set_title("road", fontsize=6.5)


def _draw_damper(axis: Any, data: TripData, damper: DamperData, bins: _TimeBins, scales: _Scales, system: str) -> None:
    heat = axis.twinx()
    heat.fill_between(bins.middle_s, 0, bins.rate(damper.energy_uj / 1e6), step="mid", facecolor=GREY, lw=0)
    heat.set_ylim(0, scales.top_w * 1.42)
    heat.annotate("W", (1.0, 1.0), (4, 3), "axes fraction", "offset points", annotation_clip=False)
    heat.spines["top"].set_visible(False)
    axis.set_zorder(heat.get_zorder() + 1)
    axis.patch.set_visible(False)
    axis.set_xlim(0, max(data.end_s, 1.0))
    has_body = bool(np.isfinite(damper.body_c).any())
    if has_body:
        _draw_temperatures(axis, data, damper, bins, scales, system)
    else:
        axis.set_yticks([])
    _draw_contacts(axis, data, damper)
    axis.set_title(name_of(damper) + ("" if has_body else " – no body temperature"))


def _draw_temperatures(
    axis: Any, data: TripData, damper: DamperData, bins: _TimeBins, scales: _Scales, system: str
) -> None:
    axis.plot(bins.middle_s, _shown_c(bins.highest(damper.body_c), system), color="black", lw=1.1)
    axis.plot(bins.middle_s, _shown_c(bins.highest(data.ambient_c), system), color="black", lw=0.9, ls=":")
    limit_c = _limit_c(data, damper)
    if limit_c is not None and limit_c <= scales.high_c:
        axis.axhline(_shown_c(limit_c, system), color="black", lw=0.9, ls="--")
        look = {"xytext": (2, -1), "textcoords": "offset points", "va": "top", "fontsize": 6}
        axis.annotate("limit", (0.0, _shown_c(limit_c, system)), **look)
    span_c = max(scales.high_c - scales.low_c, 10.0)
    axis.set_ylim(_shown_c(scales.low_c - 0.08 * span_c, system), _shown_c(scales.high_c + 0.42 * span_c, system))
    axis.set_ylabel("°F" if system == US else "°C", rotation=0, labelpad=6)


def _limit_c(data: TripData, damper: DamperData) -> float | None:
    place = next((one for one in data.vehicle.dampers if one.position == damper.position), None)
    return None if place is None else data.vehicle.profile_of(place).body_limit_c


def _draw_contacts(axis: Any, data: TripData, damper: DamperData) -> None:
    hits = sorted((one for one in data.contacts if one.position == damper.position), key=lambda one: -one.speed_mps)
    look = {"transform": axis.get_xaxis_transform(), "color": "black", "ms": 4.2, "mew": 0.7, "clip_on": False}
    for kind, (marker, filling, height) in CONTACT_MARKERS.items():
        at_s = [one.t_s for one in hits if one.kind == kind][:_MARKERS_MOST]
        for line in axis.plot(at_s, [height] * len(at_s), marker, markerfacecolor=filling, **look):
            line.set_in_layout(False)


def _mark_hours(axis: Any, end_s: float) -> None:
    step_s = next((s for s in (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400) if end_s / s <= 7), 28800)
    marks = np.arange(0, end_s + 1, step_s)
    axis.set_xticks(marks, [f"{int(mark) // 3600}:{int(mark) // 60 % 60:02d}" for mark in marks])
    axis.set_xlabel("time since the begin, hours:minutes")


class _TimeBins:
    """Rows of a trip gathered in the columns of a drawing; a column without rows is NaN."""

    def __init__(self, data: TripData) -> None:
        edges = np.linspace(0.0, max(data.end_s, 1.0), min(TIME_BINS, max(2, len(data.t_s))) + 1)
        self.middle_s: Floats = (edges[:-1] + edges[1:]) / 2.0
        self._bin = np.clip(np.searchsorted(edges, data.t_s, side="right") - 1, 0, len(self.middle_s) - 1)
        self._dt_s = self._sum(data.dt_s)

    def rate(self, values: Floats) -> Floats:
        """Return sums by second of the rows there are."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self._dt_s > 0, self._sum(values) / self._dt_s, np.nan)

    def highest(self, values: Singles) -> Floats:
        """Return the highest value in each column."""
        highest = np.full(len(self.middle_s), -np.inf)
        known = np.isfinite(values)
        np.maximum.at(highest, self._bin[known], values[known])
        return np.where(np.isfinite(highest), highest, np.nan)

    def _sum(self, values: Floats) -> Floats:
        return np.bincount(self._bin, values, minlength=len(self.middle_s)).astype(np.float64)


def _shown_c(value_c: Any, system: str) -> Any:
    return c_to_f(value_c) if system == US else value_c
