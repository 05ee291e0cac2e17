"""The rules of triage as a bench keeps them: the shipped table, its own edits with their history, and what changed.

An edit is an entry `rules_put` with the whole text; nothing is ever changed or erased. Version 0 is the shipped table.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from typing import Any

from dutylog.bench.rule_conditions import PART_NAMES, say_condition
from dutylog.bench.rule_read import Rule, read_rules
from dutylog.bench.store.rows import RulesText
from dutylog.errors import ConfigError, InputError

SHIPPED_VERSION = 0
WHY_LIMIT = 200
ADDED, REMOVED, CHANGED, MOVED = "added", "removed", "changed", "moved"


@dataclass(frozen=True, slots=True)
class Rules:
    """A whole table. version: 0 is the shipped one."""

    rules: tuple[Rule, ...]
    text: str
    version: int = SHIPPED_VERSION

    def rule(self, key: str) -> Rule | None:
        """Return one rule, None where there is none of that key."""
        return next((one for one in self.rules if one.key == key), None)


@dataclass(frozen=True, slots=True)
class Change:
    """What an edit did to one rule. what: ADDED, REMOVED, CHANGED or MOVED. lines: what was (-) and what is (+)."""

    key: str
    what: str
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Edit:
    """One edit of the table as the history shows it."""

    version: int
    utc: str
    who: str
    why: str
    changes: tuple[Change, ...]


def parse_rules(text: str, version: int = SHIPPED_VERSION) -> Rules:
    """Return the rules of a text.

    Raises:
        ConfigError: everything that is wrong, a line each with the rule and the line of the text (`problems`).
    """
    rules, problems = read_rules(text)
    if problems:
        raise ConfigError(problems)
    return Rules(rules, text, version)


def shipped_rules() -> Rules:
    """Return the table that comes with the program (bench/triage_rules.toml)."""
    return parse_rules(resources.files("dutylog.bench").joinpath("triage_rules.toml").read_text(encoding="utf-8"))


def make_edit(current: Rules, text: str, why: str) -> dict[str, Any]:
    """Return the data of the entry `rules_put` that replaces the table.

    Args:
        current: the rules that count now. text: the whole new table. why: in words, for the history.
    Raises:
        ConfigError: as of `parse_rules`. InputError: nothing changed, or no reason was given.
    """
    if not why.strip() or len(why) > WHY_LIMIT or not why.isprintable():
        raise InputError(f"why the rules change: write one line of 1 to {WHY_LIMIT} characters, the history shows it")
    new = parse_rules(text.replace("\r\n", "\n"), current.version + 1)
    if new.text == current.text:
        raise InputError("the rules are as they were; nothing was stored")
    return {"version": new.version, "text": new.text, "why": why.strip()}


def history(versions: Iterable[RulesText]) -> tuple[Edit, ...]:
    """Return every edit with who, when, why and what it changed, the newest first.

    Args:
        versions: every version that the store holds, in any order (Reading.rules_history).
    """
    edits, before = [], shipped_rules()
    for one in sorted(versions, key=lambda each: each.version):
        after = parse_rules(one.text, one.version)
        edits.append(Edit(one.version, one.utc, one.by, one.why, differences(before, after)))
        before = after
    return tuple(reversed(edits))


def differences(before: Rules, after: Rules) -> tuple[Change, ...]:
    """Return what became of each rule, in the order of the new table, removed ones last."""
    old = {rule.key: rule for rule in before.rules}
    kept_before = [rule.key for rule in before.rules if after.rule(rule.key)]
    kept_after = [rule.key for rule in after.rules if rule.key in old]
    moved = _moved(kept_before, kept_after)
    changes = []
    for rule in after.rules:
        was = old.get(rule.key)
        if was is None:
            changes.append(Change(rule.key, ADDED, tuple(f"+ {line}" for line in rule_lines(rule))))
        elif was != rule:
            changes.append(Change(rule.key, CHANGED, _compare(was, rule)))
        elif rule.key in moved:
            changes.append(Change(rule.key, MOVED))
    gone = [rule for rule in before.rules if after.rule(rule.key) is None]
    return (*changes, *(Change(rule.key, REMOVED, tuple(f"- {line}" for line in rule_lines(rule))) for rule in gone))


def rule_lines(rule: Rule) -> tuple[str, ...]:
    """Return a rule in words, a line for each field that it has."""
    limit = [f"{rule.miles:g} miles"] if rule.miles is not None else []
    limit += [f"{rule.weeks} weeks"] if rule.weeks is not None else []
    limit += [f"until {PART_NAMES[rule.until_due]} may be due"] if rule.until_due else []
    return (
        f"row: {rule.row}",
        f"when: {say_condition(rule.when)}",
        *([f"within: {', '.join(limit)}, whichever comes first"] if limit else []),
        f"says: {rule.says}",
        f"consequence: {rule.consequence}",
        *([f"caution: {', '.join(rule.cautions)}"] if rule.cautions else []),
        f"source: {rule.source}",
    )


def _compare(was: Rule, now: Rule) -> tuple[str, ...]:
    lines = difflib.ndiff(rule_lines(was), rule_lines(now))
    return tuple(line for line in lines if line[:2] in ("- ", "+ "))


def _moved(before: list[str], after: list[str]) -> set[str]:
    """Return the keys that stand at another place among those that stayed."""
    stayed = difflib.SequenceMatcher(None, before, after, autojunk=False).get_matching_blocks()
    in_place = {key for block in stayed for key in before[block.a : block.a + block.size]}
    return set(after) - in_place
