"""The report's drawings as SVG, told apart in black and white: a panel for each damper, hatches, shapes and words."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from dutylog.domain.quantity import US, quantity_text
from dutylog.duty.histograms import POSITION_BIN_UM, SPEED_BINS, SPEED_EDGES_MPS
from dutylog.duty.strokes import FREQUENCY_EDGES_HZ, LENGTH_BIN_UM
from dutylog.review.report_svg import GREY, Plot, make_figure, name_of, paper_style, to_svg
from dutylog.review.report_time_plot import draw_over_time
from dutylog.review.trip_data import DamperData, Floats, Ints, TripData
from dutylog.units import M_PER_INCH, M_PER_MM

LENGTH_EDGES_M = (0.0, 0.01, 0.02, 0.04, 0.08, 0.16, 0.32)
"""Classes of stroke length in the table of strokes; all lie on borders of the counted classes, the last is open."""


def draw_all(data: TripData, system: str) -> tuple[Plot, ...]:
    """Return the report's drawings in order; none of a trip without rows.

    Raises:
        DutylogError: matplotlib isn't there.
    """
    if not len(data.t_s) or not data.dampers:
        return ()
    with paper_style():
        return (
            draw_over_time(data, system),
            _draw_energy(data, system),
            _draw_speeds(data, system),
            _draw_strokes(data, system),
            _draw_positions(data, system),
        )


def _draw_energy(data: TripData, system: str) -> Plot:
    dampers = data.dampers[::-1]
    figure, axes = make_figure(0.35 + min(0.22 * len(dampers), 2.6), 1, 1)
    axis = axes[0, 0]
    inwards = np.array([one.totals.energy_compression_uj / 1e6 for one in dampers])
    outwards = np.array([one.totals.energy_rebound_uj / 1e6 for one in dampers])
    size, unit = next(((s, u) for s, u in ((1e6, "MJ"), (1e3, "kJ")) if (inwards + outwards).max() >= s), (1.0, "J"))
    places = np.arange(len(dampers))
    border = {"edgecolor": "black", "lw": 0.6, "height": 0.66}
    axis.barh(places, inwards / size, facecolor="white", hatch="/////", label="compression", **border)
    axis.barh(places, outwards / size, left=inwards / size, facecolor=GREY, label="rebound", **border)
    for place, total_j in zip(places, inwards + outwards, strict=True):
        look = {"xytext": (3, 0), "textcoords": "offset points", "va": "center"}
        axis.annotate(quantity_text("energy_j", float(total_j), system), (total_j / size, place), **look)
    axis.set_yticks(places, [name_of(one) for one in dampers])
    axis.set_xlim(0, max(float((inwards + outwards).max()) / size, 1e-9) * 1.14)
    axis.set_xlabel(unit)
    axis.spines["right"].set_visible(False)
    axis.legend(loc="lower right", ncols=2, bbox_to_anchor=(1.0, 1.0), borderaxespad=0.1)
    text = "; ".join(
        f"{name_of(one)} {quantity_text('energy_j', one.totals.energy_uj / 1e6, system)}" for one in data.dampers
    )
    return Plot(
        "energy",
        "Heat of each damper",
        f"Heat of compression hatched, of rebound grey: {text}.",
        to_svg(figure, "energy"),
    )


def _panels(data: TripData, height_in: float, unit: str, draw: Callable[[Any, DamperData], None], **grid: Any) -> Any:
    """Return a figure with a small panel for each damper, four a row at most."""
    columns = min(4, len(data.dampers))
    rows = math.ceil(len(data.dampers) / columns)
    figure, axes = make_figure(min(height_in * rows, _PANELS_MOST_IN), rows, columns, **grid)
    for place, axis in enumerate(axes.ravel()):
        if place >= len(data.dampers):
            axis.set_axis_off()
            continue
        draw(axis, data.dampers[place])
        axis.set_title(name_of(data.dampers[place], 38 if columns > 2 else 50), fontsize=6 if columns > 2 else 7.5)
        axis.spines["right"].set_visible(False)
        if place % columns == 0:
            axis.set_ylabel("%", rotation=0, labelpad=4)
        if place + columns >= len(data.dampers):
            axis.set_xlabel(unit)
    return figure


def _draw_speeds(data: TripData, system: str) -> Plot:
    shares = {id(one): _share_percent(one.energy_by_speed_uj) for one in data.dampers}
    used = np.flatnonzero(np.max([*shares.values(), np.zeros(SPEED_BINS)], axis=0) >= 0.05)
    middle = SPEED_BINS // 2
    reach = max(4, int(np.abs(used - middle).max()) if len(used) else 0)
    shown = np.arange(middle - reach, middle + reach + 1)
    scale, unit = (1.0 / M_PER_INCH, "in/s") if system == US else (1.0, "m/s")

    def draw(axis: Any, damper: DamperData) -> None:
        percent = shares[id(damper)][shown]
        for mask, look in (
            (shown < middle, {"facecolor": GREY}),
            (shown >= middle, {"facecolor": "white", "hatch": "/////"}),
        ):
            axis.bar((shown - middle)[mask], percent[mask], width=1.0, edgecolor="black", lw=0.5, **look)
        edges = [k for k in range(len(SPEED_EDGES_MPS)) if k < reach and SPEED_EDGES_MPS[k] in _MARKED_MPS]
        marks = [*(-(k + 0.5) for k in reversed(edges)), *(k + 0.5 for k in edges)]
        texts = [_speed_mark(SPEED_EDGES_MPS[k], scale) for k in edges]
        axis.set_xticks(marks, [*(f"-{text}" for text in reversed(texts)), *texts], rotation=90)

    figure = _panels(data, 1.5, unit, draw, sharex=True, sharey=True)
    text = (
        f"Share of each damper's heat by class of shaft speed ({unit}): rebound left, grey; compression right, hatched."
        " The classes grow with speed; bars of one damper add up to 100 %."
    )
    return Plot("speeds", "Which shaft speeds made the heat", text, to_svg(figure, "speeds"))


_PANELS_MOST_IN = 3.6
_MARKED_MPS = (0.05, 0.2, 0.5, 1.0, 2.0, 4.0)


def _speed_mark(speed_mps: float, scale: float) -> str:
    return f"{speed_mps * scale:.0f}" if scale > 1 else f"{speed_mps:g}"


def _share_percent(values: Ints) -> Floats:
    total = float(values.sum())
    return np.asarray(values / total * 100.0 if total > 0 else np.zeros(len(values)), dtype=np.float64)


def stroke_table(dampers: Sequence[DamperData]) -> Ints:
    """Return strokes of all dampers together by class of length (LENGTH_EDGES_M) and of frequency."""
    joint = np.sum([one.strokes_by_length_frequency for one in dampers], axis=0)
    borders = [round(edge * 1e6) // LENGTH_BIN_UM for edge in LENGTH_EDGES_M]
    return np.asarray(np.add.reduceat(joint, borders, axis=0), dtype=np.int64)


def _draw_strokes(data: TripData, system: str) -> Plot:
    table = stroke_table(data.dampers)
    total = int(table.sum())
    percent = table / total * 100.0 if total else np.zeros(table.shape)
    figure, axes = make_figure(1.95, 1, 1)
    axis = axes[0, 0]
    # Never darker than the numbers on it can stand.
    axis.pcolormesh(percent, cmap="Greys", vmin=0.0, vmax=max(1.0, float(percent.max())) * 2.2, edgecolor="0.6", lw=0.4)
    for (row, column), share in np.ndenumerate(percent):
        if table[row, column]:
            text = "<0.1" if share < 0.1 else f"{share:.1f}" if share < 9.95 else f"{share:.0f}"
            axis.text(column + 0.5, row + 0.5, text, ha="center", va="center", fontsize=6.5)
    marks = range(1, len(FREQUENCY_EDGES_HZ) + 1)
    axis.set_xticks(marks, [f"{edge:g}" for edge in FREQUENCY_EDGES_HZ])
    scale, unit = (1.0 / M_PER_INCH, "in") if system == US else (1.0 / M_PER_MM, "mm")
    axis.set_yticks(range(len(LENGTH_EDGES_M)), [_length_mark(edge, scale) for edge in LENGTH_EDGES_M])
    axis.set_xlabel("stroke frequency, Hz")
    axis.set_ylabel(f"length, {unit}")
    axis.spines["right"].set_visible(False)
    text = (
        "Share in percent of all strokes of all dampers in each class of length and frequency; an empty field had none."
        " Washboard stands out as many short strokes in one or two columns."
    )
    return Plot("strokes", "Strokes by length and frequency", text, to_svg(figure, "strokes"))


def _length_mark(length_m: float, scale: float) -> str:
    return f"{length_m * scale:.1f}" if scale < 100 else f"{length_m * scale:.0f}"


def _draw_positions(data: TripData, system: str) -> Plot:
    scale, unit = (1.0 / M_PER_INCH, "in") if system == US else (1.0 / M_PER_MM, "mm")

    def draw(axis: Any, damper: DamperData) -> None:
        percent = _share_percent(damper.time_by_position_ns)
        wide_m = POSITION_BIN_UM * 1e-6
        left_m = (np.arange(len(percent)) - 4) * wide_m
        inside = (left_m >= -2 * wide_m) & (left_m <= damper.stroke_m + wide_m)
        axis.bar(
            left_m[inside] * scale,
            percent[inside],
            width=wide_m * scale,
            align="edge",
            facecolor=GREY,
            edgecolor="none",
        )
        for at_m, word, look in (
            (damper.strap_m, "strap", ":"),
            (damper.bump_stop_m, "bump stop", "--"),
            (damper.stroke_m, "end", "-"),
        ):
            if at_m is not None:
                axis.axvline(at_m * scale, color="black", lw=0.9, ls=look)
                mark = {"xytext": (-1, -1), "textcoords": "offset points", "ha": "right", "va": "top", "fontsize": 5.5}
                axis.annotate(word, (at_m * scale, 1.0), xycoords=("data", "axes fraction"), rotation=90, **mark)
        axis.set_xlim(min(0.0, float(left_m[inside][0])) * scale, (damper.stroke_m + wide_m) * scale)

    figure = _panels(data, 1.3, unit, draw, sharey=True)
    text = (
        f"Share of time by travel ({unit}, 0 at full extension). Lines: dotted where the strap is taut, dashed where "
        "the bump stop is reached, full the end of the stroke."
    )
    return Plot("positions", "Where in their travel the dampers were", text, to_svg(figure, "positions"))
