"""shared/TOPICS.md and what is really written: the same measurements, tags, fields and types."""

from __future__ import annotations

import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "shared" / "TOPICS.md"
SECTION = PAGE.read_text(encoding="utf-8").split("## InfluxDB\n", 1)[1].split("\n## ", 1)[0]
MEASUREMENTS = ("live", "duty", "trip")


def described_fields(measurement):
    part = SECTION.split(f"### Fields of `{measurement}`\n", 1)[1].split("\n### ", 1)[0]
    return dict(re.findall(r"^\| `(\w+)` \| (\w+) \|.*\| .+ \|$", part, re.MULTILINE))


def described_tags():
    rows = re.findall(r"^\| `(\w+)` \| (`[^|]+`) \| .+ \| .+ \|$", SECTION, re.MULTILINE)
    return {name: set(re.findall(r"`(\w+)`", tags)) for name, tags in rows}


def type_of(text):
    return "text" if text.startswith('"') else "integer" if text.endswith("i") else "float"


def written(lines):
    """Return ({measurement: tags}, {measurement: {field: type}}) of real lines."""
    tags, fields = {}, {}
    for line in lines:
        head, body, _ = line.decode().split(" ")
        name, *named = head.split(",")
        tags.setdefault(name, set()).update(tag.split("=")[0] for tag in named)
        for field in body.split(","):
            key, value = field.split("=")
            assert fields.setdefault(name, {}).setdefault(key, type_of(value)) == type_of(value)
    return tags, fields


def test_every_tag_and_field_is_described_with_its_type(demo):
    """Somebody's dashboard rests on these names."""
    tags, fields = written(demo.lines)
    assert tags == described_tags()
    assert fields == {name: described_fields(name) for name in MEASUREMENTS}


def test_the_example_line_is_one_of_ours():
    """Copied by people who write their own reader."""
    (example,) = re.findall(r"^`(live,.+)`$", SECTION, re.MULTILINE)
    tags, fields = written([example.encode()])
    assert (tags["live"], set(fields["live"])) == (described_tags()["live"], set(described_fields("live")))


def test_a_missing_row_would_be_seen():
    """The comparisons above would pass on nothing."""
    assert len(described_fields("duty")) == 18
    assert set(described_tags()) == set(MEASUREMENTS)
