"""The wheel holds what the program opens at run time, and nothing else."""

from __future__ import annotations

import importlib.metadata
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[1]
SOURCE = REPOSITORY / "src"
LEAST_SETUPTOOLS = 77
"""pyproject.toml asks for it: licence expressions as text."""


def source_files() -> set[str]:
    """Return every file of the package as a wheel should hold it."""
    files = {path.relative_to(SOURCE) for path in (SOURCE / "dutylog").rglob("*") if path.is_file()}
    return {str(path) for path in files if "__pycache__" not in path.parts}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel from a copy, so that nothing is left in the tree."""
    folder = tmp_path_factory.mktemp("wheel")
    shutil.copytree(SOURCE, folder / "src", ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(REPOSITORY / name, folder)
    # With a setuptools that is new enough nothing is fetched; else pip brings one in for the build.
    installed = int(importlib.metadata.version("setuptools").split(".")[0])
    isolation = ["--no-build-isolation"] if installed >= LEAST_SETUPTOOLS else []
    command = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--quiet",
        "--no-deps",
        *isolation,
        "--wheel-dir",
        str(folder),
        ".",
    ]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300)
    if "No matching distribution found for setuptools" in done.stderr:
        pytest.skip("setuptools 77 is neither installed nor can it be fetched, so no wheel can be built")
    assert done.returncode == 0, done.stderr
    (built,) = folder.glob("*.whl")
    return built


def test_wheel_holds_every_file_of_the_package(wheel: Path) -> None:
    """Templates, scripts, style, SQL and vehicle files are opened at run time; without one a page or a ledger fails."""
    with zipfile.ZipFile(wheel) as archive:
        inside = {name for name in archive.namelist() if not name.endswith("/")}
    package = {name for name in inside if ".dist-info/" not in name}
    assert package == source_files()


def test_files_that_must_travel_are_there() -> None:
    """The comparison above would pass on two empty sets."""
    endings = {Path(name).suffix for name in source_files()}
    assert {".py", ".sql", ".toml", ".html", ".css", ".js", ".svg", ".typed"} <= endings


def test_wheel_brings_command_and_licence(wheel: Path) -> None:
    """`dutylog` can be typed after an install, and the licence comes with it."""
    with zipfile.ZipFile(wheel) as archive:
        (entry_points,) = [name for name in archive.namelist() if name.endswith(".dist-info/entry_points.txt")]
        assert "dutylog = dutylog.cli.main:main" in archive.read(entry_points).decode()
        assert [name for name in archive.namelist() if name.endswith("/LICENSE")]


def test_installed_program_runs_from_the_wheel(wheel: Path, tmp_path: Path) -> None:
    """Files are found in an install that isn't the source tree."""
    home = tmp_path / "installed"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(home)
    code = (
        "import dutylog, sys; from dutylog.cli.main import main; assert dutylog.__file__.startswith(sys.argv[1]);"
        " sys.exit(main(['config', 'example']))"
    )
    command = [sys.executable, "-P", "-c", code, str(home)]
    done = subprocess.run(command, env={"PYTHONPATH": str(home)}, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert done.stdout == (REPOSITORY / "shared" / "example_vehicle.toml").read_text(encoding="utf-8")
