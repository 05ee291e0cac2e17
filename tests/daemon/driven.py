"""A data folder that core has filled and left in order, as fixtures for whoever looks at such folders."""

from __future__ import annotations

import shutil

import pytest

from dutylog.daemon.core_settings import CoreSettings
from faults.conftest import run_core


@pytest.fixture(scope="module")
def driven(tmp_path_factory, recording):
    """The folder itself, of the recording of processes.py; not to be spoiled."""
    file, vehicle = recording
    folder = tmp_path_factory.mktemp("driven") / "data"
    folder.mkdir(mode=0o750)
    status, lines = run_core(CoreSettings(vehicle, folder, "recording", file=file, pace=0, exit_at_end=True))
    assert status == 0, lines
    return folder


@pytest.fixture
def data(driven, tmp_path):
    """A copy of it that a test may spoil."""
    folder = tmp_path / "data"
    shutil.copytree(driven, folder, ignore=shutil.ignore_patterns("*.sock"))
    folder.chmod(0o750)
    return folder
