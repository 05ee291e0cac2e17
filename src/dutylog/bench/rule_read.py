"""Triage rules from their TOML text; everything wrong with it is told, a line each, with rule and line of the text."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.alerts.rules import RULES as ALERT_RULES
from dutylog.bench.inspection_items import ITEM_OF, measure_of
from dutylog.bench.rule_conditions import (
    ANY_ITEM,
    MARK_LEVELS,
    AlertRaised,
    Condition,
    DirtLeft,
    GradeAtLeast,
    Joined,
    Limits,
    MarkAtLeast,
    MeasureWithin,
    ValueWithin,
    check_direction,
)
from dutylog.bench.triage_values import VALUES
from dutylog.bench.triage_words import FINE, ROWS, WITHIN
from dutylog.config.lines import find_lines, line_of
from dutylog.domain.wear import DIRTS, GRADES, PARTS
from dutylog.errors import one_line

SCHEMA = 1
TEXT_LIMIT, RULES_LIMIT, WORDS_LIMIT, KEY_LIMIT, DEPTH_LIMIT, PARTS_LIMIT = 65_536, 200, 600, 60, 4, 50
"""Characters of the text, rules in it, characters of a sentence and of a key, all and any within each other, conditions
in one list."""
MILES, WEEKS = (1.0, 20_000.0), (1, 104)
"""What `miles` and `weeks` may be."""
CAUTION_KEYS = ("gas", "opened", "stands", "hot")
_NEEDED = ("key", "row", "when", "says", "consequence", "source")
_OPTIONAL = ("caution", "miles", "weeks", "until_due")
_PROBLEMS_LIMIT = 40


class _Wrong(Exception):
    """Something is wrong with the rule being read; its text is one line."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of the table.

    row: one of triage_words.ROWS. says: what it means; consequence: of waiting, in plain words. cautions: of
    CAUTION_KEYS. miles, weeks, until_due (a part whose early day of being due ends it too): for the row `within` only.
    """

    key: str
    row: str
    when: Condition
    says: str
    consequence: str
    source: str
    cautions: tuple[str, ...] = ()
    miles: float | None = None
    weeks: int | None = None
    until_due: str | None = None


def read_rules(text: str) -> tuple[tuple[Rule, ...], tuple[str, ...]]:
    """Return the rules of a text and all that is wrong with it; with problems the rules don't count."""
    try:
        data = _read_toml(text)
    except _Wrong as err:
        return (), (str(err),)
    lines = find_lines(text)
    rules: list[Rule] = []
    problems: list[str] = []
    for number, table in enumerate(data["rule"]):
        line = line_of(lines, ("rule", number))
        name = one_line(table.get("key", "")) if isinstance(table, dict) else ""
        where = f"rule {number + 1}{f' ({name[:KEY_LIMIT]})' if name else ''}, line {line}"
        try:
            rule = _read_rule(table)
            if rule.key in {one.key for one in rules}:
                raise _Wrong("there is another rule of that key above it; give it a key of its own")
            rules.append(rule)
        except _Wrong as err:
            problems.append(f"{where}: {err}")
            if len(problems) == _PROBLEMS_LIMIT:
                problems.append("and perhaps more; mend these first")
                break
    return (() if problems else tuple(rules)), tuple(problems)


def _read_toml(text: str) -> dict[str, Any]:
    if len(text) > TEXT_LIMIT:
        raise _Wrong(f"the rules are {len(text)} characters long, {TEXT_LIMIT} at most; shorten them")
    try:
        data = tomllib.loads(text)
    except RecursionError as err:
        raise _Wrong("the rules are nested too deeply; take brackets away") from err
    except ValueError as err:
        raise _Wrong(f"the rules are no TOML: {one_line(err)}; mend that line") from err
    if unknown := set(data) - {"schema", "rule"}:
        raise _Wrong(f"key {_shown(min(unknown))} outside a rule; expected: schema, [[rule]]")
    if type(data.get("schema")) is not int or data["schema"] != SCHEMA:
        raise _Wrong(f"schema is {_shown(data.get('schema'))}, expected {SCHEMA}; write schema = {SCHEMA} at the top")
    rules = data.get("rule")
    if not isinstance(rules, list) or not 1 <= len(rules) <= RULES_LIMIT:
        raise _Wrong(f"expected 1 to {RULES_LIMIT} rules, each under a line [[rule]]")
    return data


def _read_rule(table: object) -> Rule:
    if not isinstance(table, dict):
        raise _Wrong("is no table; begin it with a line [[rule]]")
    _check_keys(table, _NEEDED, _OPTIONAL)
    key, row = _text(table, "key", KEY_LIMIT), _word(table["row"], "row", ROWS)
    if not all(sign.isascii() and (sign.isalnum() or sign == "_") for sign in key):
        raise _Wrong(f"key {_shown(key)}: expected letters, digits and _")
    miles, weeks, until = table.get("miles"), table.get("weeks"), table.get("until_due")
    if row == WITHIN and miles is None and weeks is None:
        raise _Wrong(f"row {WITHIN} needs miles or weeks, so that everybody knows how long")
    if row != WITHIN and not (miles is weeks is until is None):
        raise _Wrong(f"miles, weeks and until_due belong to row {WITHIN} only, this is {row}")
    cautions = table.get("caution", [])
    if not isinstance(cautions, list):
        raise _Wrong(f"caution is {_shown(cautions)}, expected a list of {', '.join(CAUTION_KEYS)}")
    return Rule(
        key=key,
        row=row,
        when=_condition(table["when"], row, 1),
        says=_text(table, "says", WORDS_LIMIT),
        consequence=_text(table, "consequence", WORDS_LIMIT),
        source=_text(table, "source", WORDS_LIMIT),
        cautions=tuple(_word(one, "caution", CAUTION_KEYS) for one in cautions),
        miles=None if miles is None else _number(miles, "miles", *MILES),
        weeks=None if weeks is None else _weeks(weeks),
        until_due=None if until is None else _word(until, "until_due", PARTS),
    )


def _condition(data: object, row: str, depth: int) -> Condition:
    if not isinstance(data, dict) or not data:
        raise _Wrong(f"condition {_shown(data)}: expected a table such as {{ item = ..., grade = ... }}")
    if depth > DEPTH_LIMIT:
        raise _Wrong(f"conditions within each other more than {DEPTH_LIMIT} deep; split the rule")
    for word in ("all", "any"):
        if word in data:
            _check_keys(data, (word,))
            parts = data[word]
            if not isinstance(parts, list) or not 1 <= len(parts) <= PARTS_LIMIT:
                raise _Wrong(f"{word} is {_shown(parts)}, expected a list of 1 to {PARTS_LIMIT} conditions")
            return Joined(word == "all", tuple(_condition(part, row, depth + 1) for part in parts))
    if "item" in data:
        return _of_item(data, row)
    if "value" in data:
        return _of_value(data, row)
    if "mark" in data:
        _check_keys(data, ("mark",))
        return MarkAtLeast(_word(data["mark"], "mark", MARK_LEVELS))
    if "alert" in data:
        _check_keys(data, ("alert",))
        return AlertRaised(_word(data["alert"], "alert", tuple(ALERT_RULES)))
    if "dirt" in data:
        _check_keys(data, ("dirt",))
        return DirtLeft(_word(data["dirt"], "dirt", DIRTS))
    raise _Wrong(f"condition {_shown(data)}: expected all, any, item, value, mark, alert or dirt")


def _of_item(data: Mapping[str, Any], row: str) -> Condition:
    named = data["item"] if isinstance(data["item"], list) else [data["item"]]
    items = tuple(_word(one, "item", (*ITEM_OF, ANY_ITEM)) for one in named)
    if not items or (ANY_ITEM in items and len(items) > 1):
        raise _Wrong(f"item is {_shown(data['item'])}: expected a point, a list of them, or {ANY_ITEM!r} alone")
    if "grade" in data:
        _check_keys(data, ("item", "grade"))
        return GradeAtLeast(items, _word(data["grade"], "grade", GRADES if row == FINE else GRADES[1:]))
    _check_keys(data, ("item", "measure"), ("at_least", "at_most"))
    for item in items:
        known = [one.key for one in ITEM_OF[item].measures] if item != ANY_ITEM else []
        if data["measure"] not in known:
            names = ", ".join(known) or "none"
            raise _Wrong(f"measure {_shown(data['measure'])}: {item} has no such measure, it has: {names}")
    measure = str(data["measure"])
    limits = _limits(data)
    for item in items:
        _check_reached(limits, item, measure)
    return _directed(MeasureWithin(items, measure, limits), row)


def _of_value(data: Mapping[str, Any], row: str) -> Condition:
    value = _word(data.get("value"), "value", tuple(VALUES))
    if VALUES[value].is_of_part:
        _check_keys(data, ("value", "part"), ("at_least", "at_most"))
        part = _word(data["part"], "part", PARTS)
    else:
        _check_keys(data, ("value",), ("at_least", "at_most"))
        part = ""
    return _directed(ValueWithin(value, part, _limits(data)), row)


def _directed(condition: MeasureWithin | ValueWithin, row: str) -> Condition:
    # Rules of the mildest row never move the verdict, so only they may ask for a window.
    wrong = None if row == FINE else check_direction(condition)
    if wrong:
        raise _Wrong(wrong)
    return condition


def _limits(data: Mapping[str, Any]) -> Limits:
    low, high = (
        None if data.get(key) is None else _number(data[key], key, -1e12, 1e12) for key in ("at_least", "at_most")
    )
    if low is None and high is None:
        raise _Wrong(f"condition {_shown(data)} needs at_least or at_most")
    if low is not None and high is not None and low > high:
        raise _Wrong(f"at_least {low:g} is above at_most {high:g}: it would never fire")
    return Limits(low, high)


def _check_reached(limits: Limits, item: str, key: str) -> None:
    measure = measure_of(ITEM_OF[item], key)
    if measure is None:
        return
    for name, value in (("at_least", limits.at_least), ("at_most", limits.at_most)):
        if value is not None and not measure.least <= value <= measure.most:
            expected = f"{measure.least:g} to {measure.most:g} {measure.unit}".rstrip()
            raise _Wrong(f"{name} {value:g} of {item}, {key}: expected {expected}, what it can be")


def _check_keys(table: Mapping[str, Any], needed: tuple[str, ...], optional: tuple[str, ...] = ()) -> None:
    for key in needed:
        if key not in table:
            raise _Wrong(f"{key} is missing in {_shown(table)}; write it")
    if unknown := [key for key in table if key not in needed and key not in optional]:
        raise _Wrong(f"key {_shown(unknown[0])}: expected {', '.join((*needed, *optional))}")


def _text(table: Mapping[str, Any], key: str, most: int) -> str:
    value = table[key]
    if not isinstance(value, str) or not value.strip() or len(value) > most or not value.isprintable():
        raise _Wrong(f"{key} is {_shown(value)}, expected one line of 1 to {most} printable characters")
    return value.strip()


def _word(value: object, key: str, known: tuple[str, ...]) -> str:
    if not isinstance(value, str) or value not in known:
        raise _Wrong(f"{key} is {_shown(value)}, expected one of {', '.join(known)}")
    return value


def _number(value: object, key: str, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _Wrong(f"{key} is {_shown(value)}, expected a number")
    if not (least <= value <= most and math.isfinite(value)):
        raise _Wrong(f"{key} is {value:.6g}, expected {least:g} to {most:g}")
    return float(value)


def _weeks(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not WEEKS[0] <= value <= WEEKS[1]:
        raise _Wrong(f"weeks is {_shown(value)}, expected a whole number from {WEEKS[0]} to {WEEKS[1]}")
    return value


def _shown(value: object) -> str:
    return one_line(repr(value)[:200], 60)
