"""Fixtures for the tests of the bench's pages."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.card_made import Yard
from web.bench.bench_parts import BenchOf, make_store


@pytest.fixture(scope="session")
def made_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the file of a store with one account of each role, to be copied."""
    file = tmp_path_factory.mktemp("bench") / "made.sqlite"
    make_store(file)
    return file


@pytest.fixture
def shop(tmp_path: Path, made_store: Path) -> Iterator[BenchOf]:
    """Give a bench with one account of each role and nothing on it."""
    made = BenchOf(tmp_path, made_store)
    yield made
    made.store.close()


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    """Give a vehicle whose dampers have lived; its next card has the next number, whichever test asks."""
    return Yard(tmp_path_factory.mktemp("vehicle") / "data")
