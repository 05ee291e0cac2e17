"""Says whether the browser tests of a run really ran: `python -m tests.browser_ran REPORT.xml`.

Without a browser they are skipped, which is right on a desk and wrong on the machine that guards the project.
"""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

MODULES = ("test_browser", "test_live_")


def browser_complaint(report: str) -> str | None:
    """Return what is wrong with a JUnit report of pytest, None when browser tests ran and none missed its browser.

    Args:
        report: text of the report, as `pytest --junitxml` writes it.
    """
    # The report was written by the pytest of this very run, so a plain parser is safe.
    cases = ElementTree.fromstring(report).iter("testcase")  # noqa: S314
    ours = [case for case in cases if any(name in case.get("classname", "") for name in MODULES)]
    skips = [skip.get("message", "") for case in ours if (skip := case.find("skipped")) is not None]
    missed = [text for text in skips if "no browser" in text]
    if missed:
        return f"{len(missed)} browser tests were skipped: {missed[0]}"
    if len(ours) == len(skips):
        return f"no browser test ran: the report has {len(ours)}, all skipped"
    return None


def main() -> int:
    """Print the complaint, if any, and return the exit status."""
    complaint = browser_complaint(Path(sys.argv[1]).read_text(encoding="utf-8"))
    if complaint is not None:
        print(complaint, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
