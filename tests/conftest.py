"""For all tests: hypothesis judges what it finds, never how long that took on a busy machine."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable
from typing import Any
from zlib import crc32

import jinja2
import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")

# Nearly ten thousand tests are half a million objects that stay to the end: looking for garbage among them again and
# again took two thirds of the collection and a sixth of the tests' own time (measured).
gc.disable()


def compile_once(compile_template: Callable[..., Any]) -> Callable[..., Any]:
    """Keep what templates are compiled to: hundreds of tests make the pages anew, with an environment of their own."""
    made: dict[Any, Any] = {}

    def compile_or_take(self: jinja2.Environment, source: Any, *names: Any, **more: Any) -> Any:
        key = (
            source,
            names,
            *more.items(),
            self.autoescape,
            self.trim_blocks,
            self.lstrip_blocks,
            *sorted(self.filters),
        )
        if key not in made:
            made[key] = compile_template(self, source, *names, **more)
        return made[key]

    return compile_or_take


jinja2.Environment.compile = compile_once(jinja2.Environment.compile)  # type: ignore[method-assign]

LONGEST = frozenset(
    f"tests/{name}.py"
    for name in (
        "daemon/test_bridge", "daemon/test_daemon", "daemon/test_equality", "daemon/test_kills", "daemon/test_memory",
        "daemon/test_pruning", "faults/test_failing_disk", "faults/test_full_disk", "faults/test_kill_campaign",
        "faults/test_wall_clock", "faults/test_world", "publish/test_process", "web/bench/test_whole_story",
        "web/test_server",
    )
)  # fmt: skip
"""Begun first where several run at once: begun last, all but one would wait for the end of one of them."""


def pytest_collection_finish() -> None:
    """Leave what stays out of every search for garbage from here on."""
    gc.collect()
    gc.freeze()
    gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mix the modules where several run at once, so that tests that wait stand beside tests that compute."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return
    items.sort(key=lambda item: crc32(module_of(item).encode()))
    first = [item for item in items if module_of(item) in LONGEST]
    rest = [item for item in items if module_of(item) not in LONGEST]
    # Each process begins with an equal part of the list.
    count = int(os.environ["PYTEST_XDIST_WORKER_COUNT"])
    ends = [len(rest) * number // count for number in range(count + 1)]
    items[:] = [
        item for number in range(count) for item in (*first[number::count], *rest[ends[number] : ends[number + 1]])
    ]


def module_of(item: pytest.Item) -> str:
    """Return the file of a test, below the project's folder."""
    return item.nodeid.partition("::")[0]
