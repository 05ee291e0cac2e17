"""The contract of chips over a real kernel's I²C layer and its stub, in a small machine of its own.

Skipped unless I2C_STUB_KERNEL names Debian's package of a kernel that has i2c-dev and i2c-stub (`apt-get download` of
what linux-image-amd64 depends on; the kernel for clouds has no I²C).
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from i2c_stub import guest, machine

KERNEL = os.environ.get("I2C_STUB_KERNEL", "")
BOOT_LIMIT_S = 300.0
"""It takes some ten seconds."""


class StubModel:
    """What the kernel's stub does with the transfers used here, so that the guest's own code is tested without it."""

    def __init__(self) -> None:
        self._words = {address: [0] * 256 for address in guest.STUB_ADDRESSES}
        self._pointer = dict.fromkeys(guest.STUB_ADDRESSES, 0)

    def open(self, number: int) -> StubModel:
        assert number == 0
        return self

    def close(self) -> None:
        """Stay."""

    def read_byte(self, i2c_addr: int) -> int:
        register = self._pointer[self._at(i2c_addr)]
        self._pointer[i2c_addr] = register + 1 & 0xFF
        return self._words[i2c_addr][register] & 0xFF

    def write_byte(self, i2c_addr: int, value: int) -> None:
        self._pointer[self._at(i2c_addr)] = value

    def read_byte_data(self, i2c_addr: int, register: int) -> int:
        return self._words[self._at(i2c_addr)][register] & 0xFF

    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None:
        self._words[self._at(i2c_addr)][register] = self._words[i2c_addr][register] & 0xFF00 | value

    def read_word_data(self, i2c_addr: int, register: int) -> int:
        return self._words[self._at(i2c_addr)][register]

    def write_word_data(self, i2c_addr: int, register: int, value: int) -> None:
        self._words[self._at(i2c_addr)][register] = value

    def _at(self, address: int) -> int:
        if address not in self._words:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return address


def test_guest_passes_on_a_model_of_the_stub() -> None:
    """What runs inside the machine is right where the stub does what its documentation says."""
    said: list[str] = []
    assert guest.run_checks(0, StubModel().open, said.append) == 0, said
    assert [line.split()[0] for line in said[:-1]] == ["passed"] * 6
    assert said[-1].startswith("transfers ")


def test_guest_tells_a_failure() -> None:
    """A stub without our chips: every check that needs one fails, and the number is returned."""
    stub = StubModel()
    said: list[str] = []
    stub.write_word_data = lambda *_: None  # type: ignore[method-assign]
    assert guest.run_checks(0, stub.open, said.append) == 4
    assert sum(line.startswith("FAILED") for line in said) == 4


def test_modules_are_loaded_behind_what_they_need(tmp_path: Path) -> None:
    """The kernel's package has no list of it; each module names its needs."""
    for name, needs in (("a", "b_c,d"), ("b-c", "d"), ("d", "")):
        (tmp_path / f"{name}.ko").write_bytes(b"ELF\0license=GPL\0depends=" + needs.encode() + b"\0")
    modules = {path.stem: path for path in tmp_path.glob("*.ko")}
    assert [path.stem for path in machine.in_order(("a", "builtin"), modules)] == ["d", "b-c", "a"]


@pytest.mark.slow
@pytest.mark.skipif(not KERNEL, reason="I2C_STUB_KERNEL names no package of a kernel with i2c-stub")
def test_kernel_stub_keeps_the_contract(tmp_path: Path) -> None:
    """A real /dev/i2c-0, the real library and the kernel's own errors."""
    missing = machine.missing_tools()
    assert not missing, f"not installed: {', '.join(missing)}; apt-get install {machine.PACKAGES}"
    kernel, modules = machine.unpack_kernel(Path(KERNEL), tmp_path / "kernel")
    chosen = machine.in_order(machine.MODULES, modules)
    named = {path.name.split(".")[0] for path in chosen}
    assert named >= set(machine.MODULES), f"{KERNEL} has only {sorted(named)} of {machine.MODULES}; take another kernel"
    machine.build_file_system(tmp_path / "root", chosen, guest.STUB_ADDRESSES)
    machine.pack(tmp_path / "root", tmp_path / "initrd.gz")
    said = machine.boot(kernel, tmp_path / "initrd.gz", BOOT_LIMIT_S)
    assert guest.DONE in said, said[-4000:]
    assert said.count("passed check_") == 6, said[-4000:]
