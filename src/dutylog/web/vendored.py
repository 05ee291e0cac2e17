"""The script that draws plots: a file of the package plotly, served from here; its Python part is never imported."""

from __future__ import annotations

import gzip
import importlib.metadata
import importlib.util
import re
import threading
from dataclasses import dataclass
from pathlib import Path

PACKAGE = "plotly"
_FILE = Path("package_data") / "plotly.min.js"
_MOST_BYTES = 20_000_000
_STYLE_ID = re.compile(
    rb'if\(!document\.getElementById\("([0-9a-zA-Z_-]{1,100})"\)\)\{var \w+=document\.createElement\("style"\)'
)
"""Style sheets that the script brings for maps, which we don't draw: it leaves one out whose name is there already."""
STORED_FOR_EVER = "public, max-age=31536000, immutable"


@dataclass(frozen=True, slots=True)
class Script:
    """packed: the file, compressed. name: of its address, with its version. style_ids: see _STYLE_ID."""

    packed: bytes
    name: str
    style_ids: tuple[str, ...]


class Vendored:
    """Reads and compresses the script once, when somebody first wants it; call it from a thread."""

    def __init__(self, folder: Path | None = None) -> None:
        """folder: of the package; None: where it is installed."""
        self._folder = folder
        self._lock = threading.Lock()
        self._script: Script | None = None

    def script(self) -> Script | None:
        """Return the script, None where its package isn't installed."""
        with self._lock:
            if self._script is None:
                self._script = self._read()
            return self._script

    def _read(self) -> Script | None:
        folder = self._folder or _find_folder()
        if folder is None:
            return None
        try:
            with (folder / _FILE).open("rb") as file:
                raw = file.read(_MOST_BYTES)
        except OSError:
            return None
        ids = tuple(found.decode() for found in _STYLE_ID.findall(raw))
        return Script(gzip.compress(raw, 9, mtime=0), f"plots-{_version()}.js", ids)


def _find_folder() -> Path | None:
    # Looks a package up without running any of it.
    found = importlib.util.find_spec(PACKAGE)
    return None if found is None or found.origin is None else Path(found.origin).parent


def _version() -> str:
    try:
        return re.sub(r"[^0-9A-Za-z.]", "", importlib.metadata.version(PACKAGE)) or "0"
    except importlib.metadata.PackageNotFoundError:
        return "0"
