"""The table of triage rules as text: what is wrong is told in one line each, and edits keep their history."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.bench.entry_kinds import KINDS
from dutylog.bench.inspection_items import ITEMS
from dutylog.bench.rule_conditions import items_of, say_condition
from dutylog.bench.rule_read import RULES_LIMIT, TEXT_LIMIT, read_rules
from dutylog.bench.rules_book import (
    ADDED,
    CHANGED,
    MOVED,
    REMOVED,
    differences,
    history,
    make_edit,
    parse_rules,
    rule_lines,
    shipped_rules,
)
from dutylog.bench.store.rows import RulesText
from dutylog.errors import ConfigError, InputError

HEAD = "schema = 1\n"
RULE = """[[rule]]
key = "seal"
row = "within"
when = { item = "seal_lips", grade = "worn" }
says = "It is worn."
consequence = "It leaks."
miles = 500
source = "judgement"
"""


def changed(old: str, new: str) -> str:
    """Return the one rule with a piece of its text replaced."""
    assert old in RULE
    return HEAD + RULE.replace(old, new)


WHEN = '{ item = "seal_lips", grade = "worn" }'
WRONG = [
    (changed('key = "seal"\n', ""), "rule 1, line 2: key is missing"),
    (changed('"seal"', '"not so"'), "expected letters, digits and _"),
    (changed('"within"', '"tomorrow"'), "row is 'tomorrow', expected one of stop, outing, within, watch, fine"),
    (changed("miles = 500\n", ""), "row within needs miles or weeks"),
    (changed('"within"', '"watch"'), "miles, weeks and until_due belong to row within only, this is watch"),
    (changed("500", "0"), "miles is 0, expected 1 to 20000"),
    (changed("500", "nan"), "miles is nan, expected 1 to 20000"),
    (changed("500", "true"), "miles is True, expected a number"),
    (changed("miles = 500", "weeks = 2.5"), "weeks is 2.5, expected a whole number from 1 to 104"),
    (changed("miles = 500", "weeks = 0"), "weeks is 0, expected a whole number"),
    (changed("miles = 500", 'miles = 5\nuntil_due = "engine"'), "until_due is 'engine', expected one of shaft_seal"),
    (changed("miles = 500", 'miles = 5\nlimit = "soon"'), "key 'limit': expected key, row, when"),
    (changed('"It is worn."', '""'), "says is '', expected one line of 1 to 600"),
    (changed('"It is worn."', '"two\\nlines"'), "expected one line of 1 to 600"),
    (changed('"It is worn."', '"' + "x" * 601 + '"'), "expected one line of 1 to 600"),
    (changed('"It leaks."', "7"), "consequence is 7, expected one line"),
    (changed('source = "judgement"\n', ""), "source is missing"),
    (changed('source = "judgement"', 'source = "judgement"\ncaution = "gas"'), "caution is 'gas', expected a list"),
    (changed('source = "judgement"', 'source = "judgement"\ncaution = ["fire"]'), "caution is 'fire', expected one of"),
    (changed(WHEN, "{}"), "condition {}: expected a table"),
    (changed(WHEN, '"always"'), "condition 'always': expected a table"),
    (changed(WHEN, '{ not = { item = "bolts" } }'), "expected all, any, item, value, mark, alert or dirt"),
    (changed("seal_lips", "sael_lips"), "item is 'sael_lips', expected one of leak_seal_head"),
    (changed('"seal_lips"', "[]"), "item is []: expected a point, a list of them, or 'any' alone"),
    (changed('"seal_lips"', '["any", "bolts"]'), "or 'any' alone"),
    (changed('"worn"', '"bad"'), "grade is 'bad', expected one of usable, worn, failed"),
    (changed('"worn"', '"as_new"'), "grade is 'as_new', expected one of usable, worn, failed"),
    (changed(WHEN, '{ item = "any", measure = "runout_mm", at_least = 1 }'), "any has no such measure"),
    (changed(WHEN, '{ item = "bolts", measure = "runout_mm", at_least = 1 }'), "bolts has no such measure"),
    (changed(WHEN, '{ item = "shaft_runout", measure = "runout_mm" }'), "needs at_least or at_most"),
    (changed(WHEN, '{ item = "shaft_runout", measure = "runout_mm", at_least = 21 }'), "expected 0 to 20 mm"),
    (changed(WHEN, '{ item = "shaft_runout", measure = "runout_mm", at_least = "1" }'), "at_least is '1', expected"),
    (changed(WHEN, '{ item = "shaft_runout", measure = "runout_mm", at_most = 1 }'), "a worse figure would fire less"),
    (changed(WHEN, '{ value = "coverage_ratio", at_least = 0.5 }'), "a worse figure would fire less; write at_most"),
    (changed(WHEN, '{ value = "used_ratio", at_least = 1 }'), "part is missing"),
    (changed(WHEN, '{ value = "used_ratio", part = "oli", at_least = 1 }'), "part is 'oli', expected one of"),
    (changed(WHEN, '{ value = "hot_oil_s", part = "oil", at_least = 1 }'), "key 'part': expected value"),
    (changed(WHEN, '{ value = "luck", at_least = 1 }'), "value is 'luck', expected one of used_ratio"),
    (changed(WHEN, '{ mark = "very soon" }'), "mark is 'very soon', expected one of watch"),
    (changed(WHEN, '{ alert = "fire" }'), "alert is 'fire', expected one of damper_fault"),
    (changed(WHEN, '{ dirt = "snow" }'), "dirt is 'snow', expected one of dust"),
    (changed(WHEN, "{ all = [] }"), "all is [], expected a list of 1 to 50 conditions"),
    (changed(WHEN, "{ any = 5 }"), "any is 5, expected a list"),
    (changed(WHEN, '{ any = [{ dirt = "mud" }], dirt = "mud" }'), "key 'dirt': expected any"),
    (changed(WHEN, "{ any = [" * 5 + '{ dirt = "mud" }' + "] }" * 5), "more than 4 deep"),
    (HEAD + RULE + RULE, "rule 2 (seal), line 10: there is another rule of that key above it"),
    ("schema = 2\n" + RULE, "schema is 2, expected 1"),
    (RULE, "schema is None, expected 1"),
    ("schema = true\n" + RULE, "schema is True"),
    (HEAD, "expected 1 to 200 rules"),
    (HEAD + "rule = 5", "expected 1 to 200 rules"),
    (HEAD + "rule = [5]", "is no table"),
    (HEAD + RULE + "[more]\n", "key 'more' outside a rule"),
    (HEAD + "[[rule]\n", "the rules are no TOML"),
    (HEAD + "x = " + "[" * 5000, "nested too deeply"),
    (HEAD + RULE + "# " + "x" * TEXT_LIMIT, f"{TEXT_LIMIT} at most; shorten them"),
    (HEAD + "x = " + "9" * 5000, "the rules are no TOML"),
    (HEAD + "\n".join(f"[[rule]]\nkey = 'k{n}'" for n in range(RULES_LIMIT + 1)), f"expected 1 to {RULES_LIMIT} rules"),
    ("\x00\ud800", "the rules are no TOML"),
]


@pytest.mark.parametrize(("text", "words"), WRONG, ids=[str(place) for place in range(len(WRONG))])
def test_what_is_wrong_is_told_in_one_line_and_nothing_counts(text: str, words: str) -> None:
    """A table that silently means something else sends somebody home, or lets him drive."""
    rules, problems = read_rules(text)
    assert rules == ()
    assert any(words in problem for problem in problems), problems
    assert all("\n" not in problem and problem.isprintable() and len(problem) < 900 for problem in problems)
    with pytest.raises(ConfigError) as told:
        parse_rules(text)
    assert told.value.problems == problems


def test_everything_wrong_is_told_at_once() -> None:
    text = HEAD + RULE.replace('"worn"', '"bad"') + RULE.replace('"seal"', '"second"').replace("500", "-1")
    assert [problem.split(":")[0] for problem in read_rules(text)[1]] == [
        "rule 1 (seal), line 2",
        "rule 2 (second), line 10",
    ]


@settings(max_examples=150, deadline=None)
@given(
    place=st.integers(0, len(HEAD + RULE)),
    text=st.text(max_size=8),
    cut=st.integers(0, 12),
)
def test_a_garbled_table_is_refused_in_words_or_read(place: int, text: str, cut: int) -> None:
    """Whatever somebody pastes into the page: never anything but lines for people."""
    whole = HEAD + RULE
    rules, problems = read_rules(whole[:place] + text + whole[place + cut :])
    assert bool(rules) != bool(problems)
    assert all("\n" not in problem for problem in problems)


def test_the_shipped_table_is_read_and_said_in_words() -> None:
    """What a page shows beside a reason is the rule itself, whole sentences of it."""
    rules = shipped_rules()
    assert rules.version == 0
    for rule in rules.rules:
        lines = rule_lines(rule)
        assert lines[0] == f"row: {rule.row}"
        assert all(line.replace("\u00a0", " ").isprintable() for line in lines)
    wet = rules.rule("shaft_runs_out")
    assert wet is not None
    assert rule_lines(wet)[1] == (
        "when: “Shaft: runout” / “Shaft: runout on V-blocks” graded 'replace' or worse; or “Shaft: runout” / "
        "“Shaft: runout on V-blocks”, runout, least to most: at least 0.15 mm"
    )
    assert say_condition(rules.rules[[one.key for one in rules.rules].index("sharp_mark_and_leak")].when) == (
        "“Shaft: marks”, a cloth catches on it: at least 'yes' and (“Seal head” graded 'replace' or worse; or "
        "“Seal head”, after 50 strokes: at least 'wet again')"
    )
    asked = {item for rule in rules.rules for item in items_of(rule.when)}
    assert asked - {"any"} <= {item.key for item in ITEMS}


def test_only_the_mildest_row_may_ask_for_a_window() -> None:
    """It never moves the verdict, and needs one to say that a dry film is normal."""
    window = '{ item = "leak_seal_head", measure = "wet_again", at_least = 1, at_most = 1 }'
    text = HEAD + RULE.replace(WHEN, window).replace("miles = 500\n", "")
    assert parse_rules(text.replace('"within"', '"fine"')).rules
    assert "a worse figure would fire less" in read_rules(text.replace('"within"', '"watch"'))[1][0]


def test_an_edit_is_an_entry_with_the_next_version_and_its_reason() -> None:
    """Nothing is changed in place: whoever asks later sees which rules spoke that day."""
    now = parse_rules(HEAD + RULE, 4)
    data = make_edit(now, (HEAD + RULE).replace("500", "300").replace("\n", "\r\n"), " safer in summer ")
    assert data == {"version": 5, "text": (HEAD + RULE).replace("500", "300"), "why": "safer in summer"}
    assert set(data) == set(KINDS["rules_put"].fields)
    for why in ("", "  ", "x" * 201, "two\nlines"):
        with pytest.raises(InputError, match="why the rules change"):
            make_edit(now, HEAD + RULE.replace("500", "300"), why)
    with pytest.raises(InputError, match="as they were"):
        make_edit(now, HEAD + RULE, "no reason")
    with pytest.raises(ConfigError):
        make_edit(now, HEAD, "nothing left")


def test_differences_name_what_was_added_changed_moved_and_removed() -> None:
    def rule(key: str, miles: int = 500) -> str:
        return RULE.replace('"seal"', f'"{key}"').replace("500", str(miles))

    before = parse_rules(HEAD + rule("a") + rule("b") + rule("c") + rule("d"))
    after = parse_rules(HEAD + rule("c") + rule("a") + rule("b", 300) + rule("e"))
    found = {change.key: change for change in differences(before, after)}
    assert {key: change.what for key, change in found.items()} == {
        "c": MOVED,
        "b": CHANGED,
        "e": ADDED,
        "d": REMOVED,
    }
    assert found["b"].lines == (
        "- within: 500 miles, whichever comes first",
        "+ within: 300 miles, whichever comes first",
    )
    assert all(line.startswith("+ ") for line in found["e"].lines)
    assert all(line.startswith("- ") for line in found["d"].lines)
    assert differences(before, before) == ()


def test_the_history_shows_who_changed_what_when_and_why() -> None:
    shipped = shipped_rules()
    first = shipped.text.replace("miles = 200\nweeks = 2", "miles = 100\nweeks = 1", 1)
    assert first != shipped.text
    versions = [
        RulesText(2, shipped.text, "back to what came with it", "Mia", "2026-12-02T10:00:00Z"),
        RulesText(1, first, "gas lost on two trips", "Ada", "2026-12-01T10:00:00Z"),
    ]
    told = history(versions)
    assert [(one.version, one.who, one.why) for one in told] == [
        (2, "Mia", "back to what came with it"),
        (1, "Ada", "gas lost on two trips"),
    ]
    assert [(one.key, one.what) for one in told[1].changes] == [("charge_low", CHANGED)]
    assert "+ within: 100 miles, 1 weeks, whichever comes first" in told[1].changes[0].lines
    assert told[0].changes[0].lines[0].startswith("- within: 100 miles")
    assert history([]) == ()
