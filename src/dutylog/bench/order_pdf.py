"""A work order on paper: at most three pages of A4 or Letter, readable in black and white, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from dutylog.bench.money import money_text
from dutylog.bench.order import STAGE_WORDS, Order
from dutylog.bench.order_sum import Line
from dutylog.bench.print_letters import REMEDY, find_missing
from dutylog.domain.quantity import METRIC, US, quantity_text
from dutylog.errors import DutylogError, InputError

A4, LETTER = "A4", "Letter"
PAPERS = (A4, LETTER)
PAGES_MOST = 3
_FONTS = (("normal", "DejaVuSans.ttf"), ("bold", "DejaVuSans-Bold.ttf"))
_SCHEME = "dutylog"
_SIZES = ((8.6, 600, 60), (7.6, 360, 40), (6.8, 220, 24), (6.2, 140, 14))
"""Size of the type [pt], most characters of a sentence, most findings; tried until the pages suffice."""
WHOLE_SIZE = _SIZES[0]
_BOXES = f"Some letters of this order stand as empty boxes: this machine has no font for them ({REMEDY})."


@dataclass(frozen=True, slots=True)
class FoundLine:
    """A point of the inspection as printed. grade: in words; measures: with both unit systems."""

    name: str
    grade: str
    measures: str = ""
    note: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class OrderPaper:
    """All that stands on a printed order. Texts are as people told them: they are escaped here.

    damper: (what, figure) pairs that say which damper it is. facts: the same of what it has done, figures in both unit
    systems (`both`). triage: the row in words, '' before anybody agreed; reasons: strongest first; limit: what
    'within' means, '' for other rows. is_agreed_old: something was found after it was agreed to. order, currency: as
    they stand. letters: why some can't be read, '' where all can.
    """

    shop: str
    job: int
    day: str
    customer: str
    contact: str
    damper: tuple[tuple[str, str], ...]
    facts: tuple[tuple[str, str], ...]
    triage: str
    agreed_by: str
    reasons: tuple[str, ...]
    limit: str
    findings: tuple[FoundLine, ...]
    order: Order
    currency: str | None
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    is_agreed_old: bool = False
    letters: str = ""


def both(kind: str, value: float | None) -> str:
    """Return a figure in both unit systems, once where both read alike."""
    texts = [quantity_text(kind, value, system) for system in (METRIC, US)]
    return texts[0] if texts[0] == texts[1] else f"{texts[0]} ({texts[1]})"


def make_html(paper: OrderPaper, size: str = A4) -> str:
    """Return the order as one page of HTML; InputError for a paper that isn't one of PAPERS."""
    return _render(paper, size, WHOLE_SIZE, fonts=())


def make_pdf(paper: OrderPaper, size: str = A4) -> bytes:
    """Return the order as PDF of at most PAGES_MOST pages.

    Args:
        paper: what stands on it. size: one of PAPERS.
    Raises:
        InputError: another paper.
        DutylogError: weasyprint isn't there, or even the smallest type needs more pages.
    """
    pages = 0
    lay_out, fonts = _layer()
    missing = find_missing(_render(paper, size, WHOLE_SIZE, fonts=()), _known_letters())
    if missing:
        paper = replace(paper, letters=_BOXES)
    for place, sizes in enumerate(_SIZES):
        # Far too much: the sizes between would only take time.
        if pages > PAGES_MOST + 1 and place < len(_SIZES) - 1:
            continue
        document = lay_out(_render(paper, size, sizes, fonts))
        pages = len(document.pages)
        if pages <= PAGES_MOST:
            pdf: bytes = document.write_pdf()
            return pdf
    raise DutylogError(f"order {paper.job}: it needs {pages} pages, a PDF has {PAGES_MOST}; take lines together")


@dataclass(frozen=True, slots=True)
class _Row:
    """A line as printed."""

    kind: str
    text: str
    part_no: str
    count: str
    price: str
    amount: str


def _render(paper: OrderPaper, size: str, sizes: tuple[float, int, int], fonts: Sequence[tuple[str, str]]) -> str:
    if size not in PAPERS:
        raise InputError(f"paper {size!r:.40}, expected one of {', '.join(PAPERS)}")
    font_pt, words, most = sizes
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["cut"] = lambda text: _cut(str(text), words)
    order = paper.order
    currency = order.currency or paper.currency
    return environment.get_template("order.html").render(
        paper=paper,
        size=size,
        font_pt=font_pt,
        fonts=fonts,
        stage="being drawn up" if order.stage is None else STAGE_WORDS[order.stage],
        rows=[_row(line, line.currency or paper.currency) for line in order.lines],
        is_priced=order.is_priced,
        total=money_text(order.total_minor, currency),
        approval=order.approval if order.is_approved else None,
        approved_amount=money_text(order.approval.amount_minor, order.approval.currency) if order.approval else "",
        is_changed=order.approval is not None and not order.is_approved,
        findings=paper.findings[:most],
        left_out=max(0, len(paper.findings) - most),
    )


def _row(line: Line, currency: str | None) -> _Row:
    count = f"{line.count:g}" + (f" {line.unit}" if line.unit else "")
    return _Row(
        line.kind,
        line.text,
        line.part_no or "",
        count,
        money_text(line.price_minor, currency),
        money_text(line.amount_minor, currency),
    )


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _layer() -> tuple[Any, tuple[tuple[str, str], ...]]:
    """Return what lays HTML out, with our fonts and nothing else to fetch, and the fonts' addresses."""
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher, URLFetcherResponse
    except ImportError as err:
        raise DutylogError("a PDF needs the package weasyprint: pip install 'dutylog[report]'") from err
    except OSError as err:
        text = f"a PDF needs Pango's libraries ({err!s:.80}); apt-get install libpangoft2-1.0-0"
        raise DutylogError(text) from err
    ours = _read_fonts()

    class Ours(URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, headers: Any = None) -> Any:  # noqa: ARG002
            if url not in ours:
                raise ValueError(f"an order needs nothing from {url!r:.80}")
            return URLFetcherResponse(url, ours[url], {"Content-Type": "font/ttf"})

    def lay_out(html: str) -> Any:
        return HTML(string=html, url_fetcher=Ours()).render()

    return lay_out, tuple((weight, f"{_SCHEME}:{file}") for weight, file in _FONTS if f"{_SCHEME}:{file}" in ours)


def _known_letters() -> set[int]:
    """Return code points of our own fonts."""
    try:
        import matplotlib as mpl
        from matplotlib.ft2font import FT2Font
    except ImportError:
        return set()
    return set(FT2Font(str(Path(mpl.get_data_path()) / "fonts" / "ttf" / _FONTS[0][1])).get_charmap())


def _read_fonts() -> dict[str, bytes]:
    """Return fonts that come with the package that draws; none where it isn't there, the system's serve then."""
    try:
        import matplotlib as mpl
    except ImportError:
        return {}
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    return {f"{_SCHEME}:{file}": (folder / file).read_bytes() for _, file in _FONTS}
