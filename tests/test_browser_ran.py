"""The guard of `.ci/run` must fail when browser tests didn't run, or it guards nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from browser_ran import browser_complaint

PROBE = """
import pytest
def test_with_browser():
    pass
def test_without():
    pytest.skip({reason!r})
"""


def report_of(folder: Path, name: str, reason: str) -> str:
    """Run pytest itself on a small module, so that the report is a real one."""
    folder.joinpath(f"{name}.py").write_text(PROBE.format(reason=reason), encoding="utf-8")
    report = folder / "report.xml"
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", f"--junitxml={report}", f"{name}.py"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=120)
    return report.read_text(encoding="utf-8")


def test_missing_browser_is_a_complaint(tmp_path: Path) -> None:
    """The very words of the skip in tests/web/conftest.py."""
    complaint = browser_complaint(report_of(tmp_path, "test_browser", "no browser here; install one"))
    assert complaint is not None
    assert complaint.startswith("1 browser tests were skipped: no browser here")


def test_other_skip_is_none(tmp_path: Path) -> None:
    """A checker that couldn't be fetched says nothing about the browser."""
    assert browser_complaint(report_of(tmp_path, "test_browser", "axe-core could not be fetched")) is None


def test_run_without_browser_tests_is_a_complaint(tmp_path: Path) -> None:
    """A renamed module must not switch the guard off."""
    complaint = browser_complaint(report_of(tmp_path, "test_pages", "no matter"))
    assert complaint == "no browser test ran: the report has 0, all skipped"


def test_guard_knows_the_words_of_the_skip() -> None:
    """The guard looks for these words; the tests must say them."""
    module = Path(__file__).parent / "web" / "conftest.py"
    assert 'pytest.skip("no browser here;' in module.read_text(encoding="utf-8")
