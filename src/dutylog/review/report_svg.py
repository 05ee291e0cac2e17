"""What all drawings of the report have in common: the look of print in black and white, and SVG without outer parts."""

from __future__ import annotations

import io
import logging
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, cast

from dutylog.domain.quantity import position_text
from dutylog.errors import DutylogError
from dutylog.review.report_words import clean_text
from dutylog.review.trip_data import DamperData

GREY = "0.72"
"""Fills beside hatches and black lines; black text on it stays readable."""
_WIDTH_IN = 7.48  # 190 mm
_LEAST_ROW_IN = 0.55
"""Of a figure's height for each row of axes: less leaves nothing beside titles and marks. Judgement."""
_TALKERS = ("matplotlib", "fontTools", "PIL")
_STYLE: Any = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 7,
    "axes.titlesize": 7.5,
    "axes.titlepad": 3,
    "axes.titlelocation": "left",
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.labelsize": 7,
    "xtick.labelsize": 6.5,
    "ytick.labelsize": 6.5,
    "xtick.major.size": 2,
    "ytick.major.size": 2,
    "hatch.linewidth": 0.6,
    "text.parse_math": False,
    "legend.fontsize": 6.5,
    "legend.frameon": False,
    "path.simplify": True,
}


@dataclass(frozen=True, slots=True)
class Plot:
    """One drawing. svg: without outer references; text: what it shows, for those who don't see it."""

    name: str
    title: str
    text: str
    svg: str


def name_of(damper: DamperData, limit: int = 50) -> str:
    """Return what a damper is called in the drawings, its place and its serial, in `limit` characters."""
    return clean_text(f"{clean_text(position_text(damper.position), 30)} · {clean_text(damper.label, 22)}", limit)


@contextmanager
def paper_style() -> Iterator[None]:
    """Draw in the report's look within; DutylogError when matplotlib isn't there."""
    try:
        import matplotlib as mpl
    except ImportError as err:
        raise DutylogError("a report needs the package matplotlib: pip install 'dutylog[report]'") from err
    with mpl.rc_context(_STYLE), unheard():
        yield


@contextmanager
def unheard() -> Iterator[None]:
    """Keep what drawing and laying out warn of from people: nothing in it is for them to do.

    Such as a sign that the font lacks, measured with another one's width; whoever shows the text finds a font for it.
    """
    for name in _TALKERS:
        # Without a handler of its own, Python would print what a library says onto stderr.
        logger = logging.getLogger(name)
        if not logger.handlers:
            logger.addHandler(logging.NullHandler())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def make_figure(height_in: float, rows: int, columns: int, **grid: Any) -> tuple[Any, Any]:
    """Return a figure as wide as the paper and its axes (rows, columns); grid: options of matplotlib's subplots."""
    from matplotlib.figure import Figure

    figure: Any = Figure(figsize=(_WIDTH_IN, max(height_in, _LEAST_ROW_IN * rows)), layout="constrained")
    figure.get_layout_engine().set(w_pad=0.02, h_pad=0.02, wspace=0.02, hspace=0.02)
    return figure, figure.subplots(rows, columns, squeeze=False, **grid)


def to_svg(figure: Any, name: str) -> str:
    """Return a figure as an element for a page of several: no metadata, names of its own, nothing unused."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out, canvas = io.StringIO(), cast(Any, FigureCanvasSVG(figure))
    with rc_context({"svg.hashsalt": name}):
        canvas.print_svg(out, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', text))
    text = re.sub(r' id="([^"]+)"', lambda one: f' id="{name}-{one[1]}"' if one[1] in used else "", text)
    text = re.sub(r'(href="#|url\(#)', rf"\g<1>{name}-", text)
    return re.sub(r"\s*\n\s*", "\n", text)
