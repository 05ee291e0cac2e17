"""Every error class has a row in a page under shared/, and every such row a class."""

from __future__ import annotations

import ast
import re
from pathlib import Path

REPOSITORY = Path(__file__).parent.parent
ROW = re.compile(r"^\| `(\w+)` \| (.+) \| (\d+) \|$", re.MULTILINE)


def documented_in(pages: list[str]) -> list[str]:
    """Return the classes that stand in the error table of any page."""
    sections = [page.split("## Errors", 1)[1] for page in pages if "## Errors" in page]
    return [name for section in sections for name, meaning, _ in ROW.findall(section) if meaning.strip()]


def shared_pages() -> list[str]:
    return [path.read_text(encoding="utf-8") for path in sorted((REPOSITORY / "shared").glob("*.md"))]


def error_classes(sources: list[str]) -> set[str]:
    """Return the tree that starts at DutylogError, wherever its branches are."""
    bases_of = {
        node.name: {base.attr if isinstance(base, ast.Attribute) else getattr(base, "id", "") for base in node.bases}
        for source in sources
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.ClassDef)
    }
    tree = {"DutylogError"}
    while grown := {name for name, bases in bases_of.items() if bases & tree} - tree:
        tree |= grown
    return tree


def test_every_error_has_one_row():
    """People look an error up by its name."""
    sources = [path.read_text(encoding="utf-8") for path in (REPOSITORY / "src" / "dutylog").rglob("*.py")]
    classes = error_classes(sources)
    assert {"ConfigError", "SourceLost"} <= classes
    assert sorted(documented_in(shared_pages())) == sorted(classes)


def test_branches_are_followed():
    """A branch of a branch in another module belongs to the tree, a class of another tree doesn't."""
    sources = ["class A(DutylogError): ...\n", "class B(errors.A): ...\nclass C(ValueError): ...\n"]
    assert error_classes(sources) == {"DutylogError", "A", "B"}


def test_a_missing_row_is_seen():
    """The comparison above would pass on two empty lists."""
    assert documented_in(
        ["# x\n## Errors\n| `A` | when | 2 |\n| `B` |  | 2 |\n", "| `C` | not in the section | 2 |"]
    ) == ["A"]
