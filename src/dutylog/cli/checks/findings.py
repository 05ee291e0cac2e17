"""Findings: making them, keeping each on one line, and the verdict over all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from dutylog.acquire.driver import Finding
from dutylog.config.limits import one_line

Verdict = Literal["pass", "look", "fail"]
ORDER: tuple[Verdict, ...] = ("pass", "look", "fail")
"""From good to bad: nothing to do; a person should look; something doesn't work."""
LONGEST = 600
"""Of a text: what devices, servers and files say may be of any length."""


def passed(subject: str, text: str) -> Finding:
    """Return a finding with nothing to do."""
    return Finding(subject, "pass", text)


def look(subject: str, text: str, remedy: str) -> Finding:
    """Return a finding that a person should judge."""
    return Finding(subject, "look", text, remedy)


def fail(subject: str, text: str, remedy: str) -> Finding:
    """Return a finding of something that doesn't work."""
    return Finding(subject, "fail", text, remedy)


def failed_by(subject: str, err: BaseException, remedy: str) -> Finding:
    """Return an error of ours as a finding. remedy: where the error's text names none."""
    return fail(subject, *split_remedy(str(err) or type(err).__name__, remedy))


def split_remedy(line: str, remedy: str) -> tuple[str, str]:
    """Return what a line for people says was seen, and what to do; remedy: where nothing follows a last `; `."""
    text, mark, own = line.rpartition("; ")
    return (text, own) if mark else (own, remedy)


def worst(findings: Sequence[Finding]) -> Verdict:
    """Return the verdict over all; nothing to find fault with is a pass."""
    return max((finding.verdict for finding in findings), key=ORDER.index, default="pass")


def on_one_line(finding: Finding) -> Finding:
    """Return the finding with nothing in it that could break a line or move a terminal's cursor."""
    return replace(finding, subject=_shown(finding.subject), text=_shown(finding.text), remedy=_shown(finding.remedy))


def _shown(text: str) -> str:
    line = one_line(text.strip())
    return line if len(line) <= LONGEST else line[: LONGEST - 1] + "…"
