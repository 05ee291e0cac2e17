"""Our own style sheets, scripts and pictures, served to whoever reaches the pages."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.responses import FileResponse, Response
from fastapi.staticfiles import StaticFiles

STATIC = Path(__file__).parent / "static"
_REVALIDATE = {"Cache-Control": "no-cache"}


def add_files(app: FastAPI) -> None:
    """Add /static and the picture of a tab."""

    @app.api_route("/favicon.ico", methods=["GET", "HEAD"])
    def favicon() -> Response:
        return FileResponse(STATIC / "favicon.svg", media_type="image/svg+xml", headers=_REVALIDATE)

    app.mount("/static", _OwnFiles(directory=STATIC), name="static")


class _OwnFiles(StaticFiles):
    """Our own files; a browser asks each time whether they changed, so an update shows at once."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        response = super().file_response(*args, **kwargs)
        response.headers.update(_REVALIDATE)
        return response
