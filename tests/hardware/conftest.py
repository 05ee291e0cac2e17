"""Tests with real devices; each is skipped unless the environment names its device."""

from __future__ import annotations

import pytest


def pytest_configure(config: pytest.Config) -> None:
    """Make the mark known where pyproject.toml doesn't."""
    config.addinivalue_line("markers", "hardware: needs a real device, named in the environment")
