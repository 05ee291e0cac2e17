"""What the pages for people say is there: links, commands, packages, keys."""

from __future__ import annotations

import ast
import functools
import json
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import TypeGuard

import click
import pytest

from dutylog import config
from dutylog.cli.main import dutylog
from dutylog.engine.integrate import integrate
from dutylog.heat.series import HeatSeries

REPOSITORY = Path(__file__).parents[1]
SOURCE = REPOSITORY / "src" / "dutylog"
CASES = REPOSITORY / "tests" / "data" / "cases"
PAGES = sorted(
    path
    for path in REPOSITORY.rglob("*.md")
    if not any(part.startswith(".") for part in path.relative_to(REPOSITORY).parts)
)
IMPORT_NAMES = {
    "paho-mqtt": "paho",
    "pyserial": "serial",
    "psycopg": "postgresql+psycopg",
    "python-multipart": "multipart/form-data",
}
"""Packages that are imported under another name than they are installed by, or used by another package at this word."""
OUR_WORDS = {"serial"}
"""Names of packages that are also words of ours: a text that is just such a word is no import."""
GUIDES = ("README.md", "DEVELOPERS.md")
LINK = re.compile(r"\]\(([^)\s]+)\)|<img[^>]* src=\"([^\"]+)\"")
CODE = re.compile(r"^```[a-z]*\n(.*?)^```$|`([^`\n]+)`", re.DOTALL | re.MULTILINE)


def links_in(text: str) -> list[str]:
    """Return the relative targets of a page, without the place within them."""
    targets = [a or b for a, b in LINK.findall(text)]
    return [target.split("#")[0] for target in targets if not re.match(r"[a-z]+:|#", target)]


def commands_in(text: str, program: str) -> list[list[str]]:
    """Return the words of every command of a program that a page shows in code, comments left out."""
    lines = [line for block, inline in CODE.findall(text) for line in (block or inline).splitlines()]
    split = [line.split() if "'" in line else shlex.split(line, comments=True) for line in lines]
    bare = [words[1:] for words in split if words and words[0].removeprefix(".venv/bin/") == program]
    return [words for words in bare if words]


def make_targets() -> set[str]:
    return set(re.findall(r"^([a-z0-9-]+):", (REPOSITORY / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))


def subcommands(
    group: click.Group = dutylog, above: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Yield every command that can be typed, by its words."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from subcommands(command, (*above, name))
            if command.invoke_without_command:
                yield (*above, name), command
        else:
            yield (*above, name), command


def guide_texts() -> str:
    return "\n".join((REPOSITORY / name).read_text(encoding="utf-8") for name in GUIDES)


def complaint_about(words: list[str], known: dict[tuple[str, ...], click.Command]) -> str | None:
    """Return what is wrong with a shown `dutylog` command, None when it could be typed."""
    if words[0].startswith("-"):
        return None
    path = next((p for p in known if words[: len(p)] == list(p)), None)
    if path is None:
        groups = {p[0] for p in known if len(p) > 1}
        return None if words[0] in groups and len(words) == 1 else f"no command {' '.join(words)}"
    texts = (text for parameter in known[path].params for text in (*parameter.opts, *parameter.secondary_opts))
    options = {*texts, "--help"}
    unknown = [word for word in words if word.startswith("-") and word.split("=")[0] not in options]
    return f"{' '.join(words)}: no option {unknown[0]}" if unknown else None


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(REPOSITORY)))
def test_relative_links_lead_somewhere(page: Path) -> None:
    """A link to nothing is the first thing a stranger clicks."""
    missing = [link for link in links_in(page.read_text(encoding="utf-8")) if not (page.parent / link).exists()]
    assert missing == []


def test_links_and_pages_are_found() -> None:
    """The comparison above would pass on nothing."""
    assert {"README.md", "CHANGELOG.md"} <= {page.name for page in PAGES}
    assert links_in('[a](b.md#c) <img alt="x" src="d.png"> [e](https://f) [g](#h)') == ["b.md", "d.png"]
    assert len(links_in((REPOSITORY / "README.md").read_text(encoding="utf-8"))) >= 5


def test_shown_make_targets_exist() -> None:
    """Every `make X` on a page can be typed."""
    texts = [page.read_text(encoding="utf-8") for page in PAGES]
    shown = {words[0] for text in texts for words in commands_in(text, "make")}
    assert {"demo", "test", "benchmark"} <= shown
    assert shown - make_targets() == set()


def test_every_make_target_is_shown() -> None:
    """A target nobody knows of isn't used."""
    assert make_targets() - {words[0] for words in commands_in(guide_texts(), "make")} == set()


def test_shown_commands_can_be_typed() -> None:
    """Subcommand and options of every `dutylog ...` on a page exist."""
    known = dict(subcommands())
    shown = [words for page in PAGES for words in commands_in(page.read_text(encoding="utf-8"), "dutylog")]
    assert len(shown) > 20
    expanded = [[*words[:-1], last] for words in shown for last in words[-1].split("|")]
    assert [complaint for words in expanded if (complaint := complaint_about(words, known))] == []


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("`dutylog integrat x`", "no command integrat x"),
        ("```\ndutylog run --confg x # why\n```", "run --confg x: no option --confg"),
        ("`dutylog damper`", None),
        ("`dutylog -V`", None),
    ],
)
def test_a_wrong_command_is_seen(text: str, complaint: str | None) -> None:
    """The test above can fail."""
    (words,) = commands_in(text, "dutylog")
    assert complaint_about(words, dict(subcommands())) == complaint


def test_every_command_stands_in_a_guide() -> None:
    """README or DEVELOPERS shows each command at least once."""
    shown = commands_in(guide_texts(), "dutylog")
    absent = [path for path, _ in subcommands() if not any(words[: len(path)] == list(path) for words in shown)]
    assert absent == []


def test_every_contract_page_is_in_the_index() -> None:
    """shared/README.md lists each page and file beside it."""
    listed = set(links_in((REPOSITORY / "shared" / "README.md").read_text(encoding="utf-8")))
    there = {path.name for path in (REPOSITORY / "shared").iterdir()} - {"README.md"}
    assert there - listed == set()


def dependency_rows() -> dict[str, list[str]]:
    """Return package: places it is imported in, from the table in DEVELOPERS.md."""
    section = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Dependencies", 1)[1]
    rows = [line.strip("| \n").split(" | ") for line in section.splitlines() if line.startswith("| ")]
    return {row[0]: re.findall(r"`([^`]+)`", row[4]) for row in rows if len(row) == 5 and "`" in row[4]}


def modules_naming(package: str) -> set[str]:
    """Return the modules that import a package, or name it in a string they may import it by."""
    top = IMPORT_NAMES.get(package, package.replace("-", "_"))
    pattern = re.compile(rf"{re.escape(top)}(\.\w+)*")
    return {module for module, names in _names_by_module().items() if any(pattern.fullmatch(name) for name in names)}


@functools.cache
def _names_by_module() -> dict[str, frozenset[str]]:
    """Return what each of our modules imports, and every text in it."""
    found = {}
    for path in SOURCE.rglob("*.py"):
        names: set[str] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names |= {alias.name for alias in node.names} if isinstance(node, ast.Import) else set()
            names |= {node.module or ""} if isinstance(node, ast.ImportFrom) and node.level == 0 else set()
            names |= {node.value} if _is_text(node) and node.value not in OUR_WORDS else set()
        found[str(path.relative_to(SOURCE))] = frozenset(names)
    return found


def _is_text(node: ast.AST) -> TypeGuard[ast.Constant]:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def runtime_packages() -> set[str]:
    project = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [line for name, lines in project["optional-dependencies"].items() if name != "dev" for line in lines]
    return {re.split(r"[<>=\[ ]", line)[0] for line in [*project["dependencies"], *extras]}


def test_every_runtime_package_has_a_row() -> None:
    """Nothing is depended on without a reason and a licence."""
    assert set(dependency_rows()) == runtime_packages()


@pytest.mark.parametrize("package", sorted(runtime_packages()))
def test_a_package_is_imported_where_its_row_says(package: str) -> None:
    """And each place named does import it."""
    places = dependency_rows()[package]
    modules = modules_naming(package)
    assert {m for m in modules if not any(m == p or (p.endswith("/") and m.startswith(p)) for p in places)} == set()
    assert [p for p in places if not any(m == p or m.startswith(p) for m in modules)] == []


def described_keys(text: str) -> set[str]:
    """Return the keys in the first column of a text's tables."""
    return {key for line in re.findall(r"^\| (`.*?) \|", text, re.MULTILINE) for key in re.findall(r"`(\w+)`", line)}


def test_result_keys_are_those_described() -> None:
    """shared/INTEGRATE.md has a row for every key of the result, its clock and its dampers, and no other."""
    page = (REPOSITORY / "shared" / "INTEGRATE.md").read_text(encoding="utf-8")
    section = page.split("## Result", 1)[1].split("## The estimate", 1)[0]
    result_table, rest = section.split("`clock`: of", 1)
    clock_table, damper_table = rest.split("Each damper has", 1)
    case, heat = CASES / "A_sine", HeatSeries()
    work = integrate(case / "recording.parquet", config.load(case / "truck.toml").vehicle, on_heat=heat.take)
    result, followed = work.to_dict(), heat.finish()
    assert set(result) == described_keys(result_table)
    assert set(result["clock"]) == described_keys(clock_table)
    for position, damper in result["dampers"].items():
        of_heat = json.loads("{" + "".join(followed[position].json_pieces()) + "}")
        assert set(damper | of_heat) == described_keys(damper_table)


def test_accuracy_table_has_every_case() -> None:
    """The table was made by the benchmark and no case was left out."""
    page = (REPOSITORY / "shared" / "INTEGRATE.md").read_text(encoding="utf-8")
    table = page.split("<!-- accuracy: make benchmark -->", 1)[1].split("<!-- end of accuracy -->", 1)[0]
    assert set(re.findall(r"^\| ([A-Z]_\w+) \|", table, re.MULTILINE)) == {
        p.name for p in CASES.iterdir() if p.is_dir()
    }
