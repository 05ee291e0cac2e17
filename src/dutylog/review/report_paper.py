"""The report's way onto paper: pages of HTML laid out with our own drawings and fonts, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from dutylog.errors import DutylogError
from dutylog.review.report_svg import Plot

SCHEME = "dutylog"
FONTS = (("normal", "DejaVuSans.ttf"), ("bold", "DejaVuSans-Bold.ttf"))
"""Weight and file of each; addresses on the page are SCHEME:file."""


class Paper:
    """Lays pages out. Drawings and fonts, matplotlib's own, are handed over here; nothing is fetched."""

    def __init__(self, plots: Sequence[Plot]) -> None:
        """Take the drawings; DutylogError when a package or library that lays out isn't there."""
        try:
            import matplotlib as mpl
            from weasyprint import HTML
            from weasyprint.urls import URLFetcher, URLFetcherResponse
        except ImportError as err:
            raise DutylogError("a PDF needs the package weasyprint: pip install 'dutylog[report]'") from err
        except OSError as err:
            # What it says when one of the libraries behind it isn't there.
            text = f"a PDF needs Pango's libraries ({err!s:.80}); apt-get install libpangoft2-1.0-0"
            raise DutylogError(text) from err
        folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
        ours = {f"{SCHEME}:{file}": ((folder / file).read_bytes(), "font/ttf") for _, file in FONTS}
        ours |= {f"{SCHEME}:{plot.name}": (plot.svg.encode(), "image/svg+xml") for plot in plots}

        class Ours(URLFetcher):  # type: ignore[misc]
            def fetch(self, url: str, headers: Any = None) -> Any:  # noqa: ARG002
                if url not in ours:
                    raise ValueError(f"a report needs nothing from {url!r:.80}")
                content, kind = ours[url]
                return URLFetcherResponse(url, content, {"Content-Type": kind})

        self._html: Any = HTML
        self._fetcher = Ours()
        self._drawn: dict[str, Any] = {}

    def lay_out(self, html: str) -> Any:
        """Return the document; its drawings are read once for all tries."""
        return self._html(string=html, url_fetcher=self._fetcher).render(cache=self._drawn)
