"""A small good vehicle file and a way to ask what is wrong with a changed one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dutylog.config.loader import parse_settings
from dutylog.errors import ConfigError

GOOD_FILE = Path(__file__).parent / "data" / "good.toml"


@pytest.fixture
def good() -> str:
    """A file with one profile of each sort and nothing to complain about."""
    return GOOD_FILE.read_text(encoding="utf-8")


@pytest.fixture
def problems_of() -> Callable[[str], tuple[str, ...]]:
    """Return the problems of a text as lines; none when it is good."""

    def ask(text: str) -> tuple[str, ...]:
        try:
            parse_settings(text.encode(), Path("truck.toml"))
        except ConfigError as err:
            return err.problems
        return ()

    return ask
