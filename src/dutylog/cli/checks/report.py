"""Findings as lines for people and as JSON for programs (shared/CHECK.md)."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import click

from dutylog import ENGINE
from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import ORDER, worst

SCHEMA = 1
SHAPES = {"pass": "[ = ]", "look": "[ ? ]", "fail": "[ ! ]"}
"""Beside the word, so that neither rests on colour."""
_COLOURS = {"pass": "green", "look": "yellow", "fail": "red"}


def text_lines(findings: Sequence[Finding], has_colour: bool = False) -> list[str]:
    """Return a line for each finding and one for the verdict. has_colour: for terminals, in addition to the words."""
    width = max((len(finding.subject) for finding in findings), default=0)
    lines = [_line(finding, width, has_colour) for finding in findings]
    counts = Counter(finding.verdict for finding in findings)
    told = ", ".join(f"{counts[verdict]} {verdict}" for verdict in ORDER)
    return [*lines, f"verdict: {worst(findings)} ({told})"]


def _line(finding: Finding, width: int, has_colour: bool) -> str:
    head = f"{finding.verdict} {SHAPES[finding.verdict]}"
    if has_colour:
        head = click.style(head, fg=_COLOURS[finding.verdict], bold=finding.verdict != "pass")
    remedy = f" -> {finding.remedy}" if finding.remedy else ""
    return f"{head} {finding.subject.ljust(width)}  {finding.text}{remedy}"


def to_object(findings: Sequence[Finding]) -> dict[str, Any]:
    """Return the object of `dutylog check --json`."""
    return {
        "schema": SCHEMA,
        "engine": ENGINE,
        "findings": [asdict(finding) for finding in findings],
        "verdict": worst(findings),
    }


def to_json(findings: Sequence[Finding]) -> str:
    """Return that object as text."""
    return json.dumps(to_object(findings), ensure_ascii=False, indent=1, allow_nan=False)
