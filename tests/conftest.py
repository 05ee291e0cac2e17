"""For all tests: hypothesis judges what it finds, never how long that took on a busy machine."""

from __future__ import annotations

import os
from zlib import crc32

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mix the modules where several run at once, so that tests that wait stand beside tests that compute."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        items.sort(key=lambda item: crc32(item.nodeid.partition("::")[0].encode()))
