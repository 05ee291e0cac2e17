"""Imports point one way, and importing does nothing but define."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "src" / "dutylog"

STEPS = (
    ("cli", "daemon"),
    ("web",),
    ("fleet",),
    ("bench", "review", "publish"),
    ("life", "heat", "alerts"),
    ("ledger",),
    ("engine",),
    ("acquire", "sim"),
    ("config",),
    ("recording",),
    ("duty",),
    ("motion",),
    ("domain",),
    ("clock", "units", "errors", "sockets", "memory"),
)
"""Each may import what stands in a later step, never its own neighbours (DEVELOPERS.md)."""
STEP_OF = {name: i for i, names in enumerate(STEPS) for name in names}
LAZY_TABLE = "cli/main.py"
LIGHT = ("recording", "duty", "motion", "engine", "ledger")
HEAVY = ("pydantic", "fastapi", "uvicorn", "pyarrow", "click")


@cache
def nodes_of(path: Path) -> list[ast.AST]:
    """Return all that a file's syntax tree is made of; several tests ask for the same."""
    return list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def modules_in(root: Path) -> dict[str, Path]:
    """Return every module below a package's folder, by dotted name without the package's own."""
    found = {}
    for path in sorted(root.rglob("*.py")):
        parts = path.relative_to(root).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports_of(path: Path, root: Path) -> list[tuple[int, str]]:
    """Return (line, dotted name below dutylog) of every import of ours, wherever in the file it stands.

    A name that an import takes from a package may be a module of it, so it is given with its package.
    """
    parts = path.relative_to(root).with_suffix("").parts
    package = ("dutylog", *parts[:-1])
    found = []
    for node in nodes_of(path):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            start = package[: len(package) - node.level + 1] if node.level else ()
            base = ".".join([*start, *([node.module] if node.module else [])])
            names = [f"{base}.{alias.name}" for alias in node.names]
        else:
            continue
        found += [(node.lineno, name.removeprefix("dutylog").removeprefix(".")) for name in names if is_ours(name)]
    return found


def is_ours(name: str) -> bool:
    return name == "dutylog" or name.startswith("dutylog.")


def hidden_imports_of(path: Path) -> list[int]:
    """Return the lines of calls that import ours by text, which the walk above can't follow.

    A name that isn't a literal counts when the file spells ours in any string it could be made of.
    """
    nodes = nodes_of(path)
    texts = [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    spells_ours = any(is_ours(text) for text in texts)
    lines = []
    for node in nodes:
        if not isinstance(node, ast.Call):
            continue
        called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if called in ("import_module", "__import__", "run_module", "find_spec"):
            literal = node.args[0].value if node.args and isinstance(node.args[0], ast.Constant) else None
            named = isinstance(literal, str) and (is_ours(literal) or literal.startswith("."))
            if named or (not isinstance(literal, str) and spells_ours):
                lines.append(node.lineno)
    return lines


def violations(root: Path) -> list[str]:
    """Return a line for every import that goes the wrong way."""
    found = []
    for path in modules_in(root).values():
        place = path.relative_to(root)
        home = place.parts[0].removesuffix(".py")
        for line, name in imports_of(path, root):
            target = name.split(".")[0]
            if home == "__init__":
                found.append(f"{place}:{line}: the package itself imports {name}")
            elif target in ("__version__", "ENGINE") or target == home:
                continue
            elif home not in STEP_OF or target not in STEP_OF:
                found.append(f"{place}:{line}: {home} or {target or 'dutylog'} is in no step")
            elif STEP_OF[target] <= STEP_OF[home]:
                found.append(f"{place}:{line}: {home} must not import {target}")
        if str(place) != LAZY_TABLE:
            found += [f"{place}:{line}: import by text" for line in hidden_imports_of(path)]
    return found


def test_imports_point_one_way():
    """A wrong import today is a knot next year."""
    assert len(modules_in(SOURCE)) > 20
    assert violations(SOURCE) == []


def test_lazy_table_points_into_the_command_line_only():
    """The one place that imports by text may reach its own package and nothing else."""
    tree = ast.parse((SOURCE / LAZY_TABLE).read_text(encoding="utf-8"))
    ours = [n.value for n in ast.walk(tree) if isinstance(n, ast.Constant) and str(n.value).startswith("dutylog.")]
    assert len(ours) >= 8
    assert all(name.startswith("dutylog.cli.") for name in ours)


BAD_TREES = {
    "up": ("domain/a.py", "from dutylog.motion.b import c\n", "domain/a.py:1: domain must not import motion"),
    "sibling": ("cli/a.py", "import dutylog.daemon.core\n", "cli/a.py:1: cli must not import daemon"),
    "other sibling": ("acquire/a.py", "from dutylog import sim\n", "acquire/a.py:1: acquire must not import sim"),
    "root file": ("units.py", "from dutylog.errors import X\n", "units.py:1: units must not import errors"),
    "in a function": ("duty/a.py", "def f():\n    import dutylog.ledger\n", "duty/a.py:2: duty must not import ledger"),
    "for types only": (
        "duty/a.py",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from dutylog.web import x\n",
        "duty/a.py:3: duty must not import web",
    ),
    "relative": ("motion/a.py", "from ..engine import state\n", "motion/a.py:1: motion must not import engine"),
    "relative package": ("motion/a.py", "from .. import engine\n", "motion/a.py:1: motion must not import engine"),
    "relative, deep": ("motion/b/a.py", "from ...engine import x\n", "motion/b/a.py:1: motion must not import engine"),
    "relative, __init__": (
        "motion/__init__.py",
        "from ..duty import x\n",
        "motion/__init__.py:1: motion must not import duty",
    ),
    "new folder": ("helpers/a.py", "from dutylog.units import x\n", "helpers/a.py:1: helpers or units is in no step"),
    "star of all": ("cli/a.py", "import dutylog\n", "cli/a.py:1: cli or dutylog is in no step"),
    "package itself": (
        "__init__.py",
        "from dutylog.units import x\n",
        "__init__.py:1: the package itself imports units.x",
    ),
    "by text": (
        "cli/a.py",
        'import importlib\nimportlib.import_module("dutylog.daemon")\n',
        "cli/a.py:2: import by text",
    ),
    "by relative text": ("web/a.py", 'import_module(".x", "dutylog.cli")\n', "web/a.py:1: import by text"),
    "by made-up text": ("web/a.py", 'x = "dutylog"\n__import__(x + ".cli")\n', "web/a.py:2: import by text"),
}


@pytest.mark.parametrize("case", BAD_TREES)
def test_a_wrong_import_is_found(tmp_path, case):
    """Proof that the walk sees each way to write one."""
    place, text, expected = BAD_TREES[case]
    path = tmp_path / place
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    assert violations(tmp_path) == [expected]


def test_right_imports_are_left_alone(tmp_path):
    """The walk must not forbid what is allowed."""
    good = {
        "cli/main.py": 'from dutylog import ENGINE, __version__\nimportlib.import_module(TABLE["x"])\n',
        "daemon/core.py": "from dutylog.ledger.rows import x\nfrom . import other\nfrom .other import y\n",
        "engine/a.py": "from dutylog.config import x\nfrom ..units import y\nfrom dutylog.engine.b import z\n",
        "acquire/a.py": 'import numpy\nfrom dutylog.recording import block\nimport_module("pyarrow")\n',
    }
    for place, text in good.items():
        path = tmp_path / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    assert violations(tmp_path) == []


PROBE = """
import importlib, json, os, sys, threading
events, done = [], []
def watch(event, arguments):
    if event == "open" and isinstance(arguments[0], str):
        path, flags = arguments[0], arguments[2] or 0
        device = path.startswith(("/dev/", "/sys/class/", "/sys/bus/")) and path not in ("/dev/null", "/dev/urandom")
        if device or flags & (os.O_WRONLY | os.O_RDWR):
            events.append(f"{done[-1]}: open {path}")
    elif event in WATCHED:
        events.append(f"{done[-1]}: {event}")
WATCHED = ("socket.connect", "socket.bind", "subprocess.Popen", "os.fork", "os.system", "sqlite3.connect", "os.mkdir",
           "os.remove", "os.rename")
sys.addaudithook(watch)
for name in json.loads(sys.argv[1]):
    done.append(name)
    importlib.import_module(name)
    if threading.active_count() > 1:
        events.append(f"{name}: a thread")
print(json.dumps({"events": events, "loaded": sorted(sys.modules)}))
"""


def probe(names: list[str], path: Path | None = None) -> dict[str, list[str]]:
    """Import modules in a fresh process; return what was touched meanwhile and what is loaded in the end."""
    done = subprocess.run(
        [sys.executable, "-B", "-W", "error", "-c", PROBE, json.dumps(names)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=path,
    )
    assert done.returncode == 0, done.stderr
    answer: dict[str, list[str]] = json.loads(done.stdout)
    return answer


def names_below(package: str) -> list[str]:
    return [f"dutylog.{name}" for name in modules_in(SOURCE) if name == package or name.startswith(f"{package}.")]


def test_importing_touches_no_device_and_starts_nothing():
    """Every page, test and command imports; none of that may open a port, a file to write, or a thread."""
    # A __main__ is there to act; nothing imports it.
    names = [f"dutylog.{name}" for name in modules_in(SOURCE) if name and not name.endswith("__main__")]
    answer = probe(names)
    assert set(names) <= set(answer["loaded"])
    assert answer["events"] == []


@pytest.mark.parametrize(
    "text",
    [
        "import socket\nsocket.socket().bind(('127.0.0.1', 0))\n",
        "import threading\nthreading.Thread(target=threading.Event().wait, daemon=True).start()\n",
        "open('/dev/zero')\n",
        "open('left.txt', 'w')\n",
        "import sqlite3\nsqlite3.connect(':memory:')\n",
    ],
    ids=["socket", "thread", "device", "file", "database"],
)
def test_a_module_that_acts_on_import_is_found(tmp_path, text):
    """Proof that the probe sees each of them."""
    (tmp_path / "acts_on_import.py").write_text("import warnings\nwarnings.simplefilter('ignore')\n" + text)
    assert probe(["acts_on_import"], tmp_path)["events"]


@pytest.mark.parametrize("package", LIGHT)
def test_what_runs_beside_the_sampling_is_light(package):
    """Memory and start-up time of a small board; none of these may come in at module level."""
    names = names_below(package)
    if len(names) == 1 and not (SOURCE / package / "__init__.py").read_text(encoding="utf-8").strip():
        pytest.skip(f"{package} is still empty")
    assert sorted(set(HEAVY) & set(probe(names)["loaded"])) == []


def test_daemon_core_is_light():
    """The core process samples; the outlets carry the heavy packages."""
    names = [name for name in names_below("daemon") if name.split(".")[-1].startswith("core") or ".core." in name]
    if not names:
        others = [name for name in names_below("daemon") if name != "dutylog.daemon"]
        assert not others, f"which of {others} is the core? name it core*.py"
        pytest.skip("daemon is still empty")
    assert sorted(set(HEAVY) & set(probe(names)["loaded"])) == []


def test_pages_load_no_client_of_brokers_or_databases():
    """They ask the publish process; its libraries stay there."""
    loaded = set(probe(["dutylog.web.server"])["loaded"])
    assert "dutylog.publish.core_link" in loaded
    assert loaded & {"paho", "influxdb_client", "urllib3"} == set()


def test_vehicle_settings_can_be_held_without_pydantic():
    """Settings cross into the core process; the schema stays behind."""
    assert "pydantic" not in probe(["dutylog.config", "dutylog.config.settings"])["loaded"]


@pytest.mark.parametrize(
    ("package", "homes"), [("pydantic", {"config", "publish"}), ("numpy", STEP_OF.keys() - {"config"})]
)
def test_a_package_stays_in_its_home(package, homes):
    """Exchangeable only while few know it; numpy stays out of reading a vehicle file."""
    users = {
        path.relative_to(SOURCE).parts[0]
        for path in modules_in(SOURCE).values()
        for node in nodes_of(path)
        if (isinstance(node, ast.Import) and any(a.name.split(".")[0] == package for a in node.names))
        or (isinstance(node, ast.ImportFrom) and not node.level and (node.module or "").split(".")[0] == package)
    }
    assert users
    assert users <= homes
