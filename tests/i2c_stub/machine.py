"""A small machine with the kernel's I²C stub: Debian's kernel under qemu, Python and our code in its initramfs."""

from __future__ import annotations

import gzip
import re
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

import smbus2

import dutylog

TOOLS = ("qemu-system-x86_64", "busybox", "cpio", "dpkg-deb", "ldd")
PACKAGES = "qemu-system-x86 busybox-static cpio"
LEFT_OUT = (
    "site-packages",
    "test",
    "idlelib",
    "tkinter",
    "turtledemo",
    "ensurepip",
    "lib2to3",
    "__pycache__",
    "config-*",
)
"""Parts of Python's library that the checks don't need."""
MODULES = ("i2c-dev", "i2c-stub")


def missing_tools() -> list[str]:
    """Return the programs that aren't there."""
    return [tool for tool in TOOLS if shutil.which(tool) is None]


def unpack_kernel(package: Path, folder: Path) -> tuple[Path, dict[str, Path]]:
    """Unpack Debian's package of a kernel; return the kernel and its modules by name."""
    subprocess.run(["dpkg-deb", "-x", package, folder], check=True)
    (kernel,) = folder.glob("boot/vmlinuz-*")
    modules = {path.name.split(".")[0]: path for path in folder.rglob("*.ko")}
    return kernel, modules


def in_order(wanted: tuple[str, ...], modules: dict[str, Path]) -> list[Path]:
    """Return the modules wanted behind those they need; one that is neither there nor built in is left out."""
    found: list[Path] = []
    for name in wanted:
        path = modules.get(name) or modules.get(name.replace("_", "-"))
        if path is None or path in found:
            continue
        needs = re.search(rb"\0depends=([^\0]*)\0", path.read_bytes())
        names = tuple(needs[1].decode().split(",")) if needs and needs[1] else ()
        found += [each for each in in_order(names, modules) if each not in found]
        found.append(path)
    return found


def build_file_system(root: Path, modules: list[Path], addresses: tuple[int, ...]) -> None:
    """Lay out everything the machine needs under `root`."""
    for name in ("bin", "proc", "sys", "dev", "modules", "app"):
        (root / name).mkdir(parents=True)
    busybox = shutil.which("busybox")
    assert busybox is not None
    shutil.copy(busybox, root / "bin" / "busybox")
    for module in modules:
        shutil.copy(module, root / "modules" / module.name)
    python = _copy_python(root)
    for package in (dutylog, smbus2):
        folder = Path(str(package.__file__)).parent
        shutil.copytree(folder, root / "app" / folder.name, ignore=shutil.ignore_patterns("__pycache__"))
    (root / "app" / "acquire" / "i2c").mkdir(parents=True)
    shutil.copy(Path(__file__).parents[1] / "acquire" / "i2c" / "contract.py", root / "app" / "acquire" / "i2c")
    shutil.copy(Path(__file__).parent / "guest.py", root / "app")
    stub = " chip_addr=" + ",".join(f"0x{address:02x}" for address in addresses)
    load = [f"insmod /modules/{module.name}{stub if 'i2c-stub' in module.name else ''}" for module in modules]
    script = [
        "#!/bin/busybox sh", "/bin/busybox --install -s /bin", "export PATH=/bin PYTHONHOME=" + sys.base_prefix,
        "export PYTHONPATH=/app PYTHONDONTWRITEBYTECODE=1",
        "mount -t proc proc /proc", "mount -t sysfs sys /sys", "mount -t devtmpfs dev /dev",
        *load, "ls /dev/i2c-*", f"{python} /app/guest.py 0", "poweroff -f",
    ]  # fmt: skip
    (root / "init").write_text("\n".join(script) + "\n", encoding="utf-8")
    (root / "init").chmod(0o755)


def _copy_python(root: Path) -> Path:
    """Copy this Python, its library and what its binary parts are linked with; return the program's path."""
    program = Path(sys._base_executable).resolve()  # type: ignore[attr-defined]
    library = Path(sysconfig.get_path("stdlib"))
    target = root / library.relative_to("/")
    shutil.copytree(library, target, ignore=shutil.ignore_patterns(*LEFT_OUT))
    linked: set[Path] = set()
    for binary in [program, *library.glob("lib-dynload/*.so")]:
        text = subprocess.run(["ldd", binary], capture_output=True, text=True, check=True).stdout
        linked |= {Path(path) for path in re.findall(r"(/\S+) \(0x", text)}
    for path in [program, *linked]:
        to = root / path.relative_to("/")
        to.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, to)
        to.chmod(0o755)
    return program


def pack(root: Path, archive: Path) -> None:
    """Pack the file system as the kernel takes it."""
    names = "\n".join(str(path.relative_to(root)) for path in [root / "init", *sorted(root.rglob("*"))])
    command = ["cpio", "--quiet", "-o", "-H", "newc"]
    packed = subprocess.run(command, input=names.encode(), cwd=root, capture_output=True, check=True).stdout
    archive.write_bytes(gzip.compress(packed, 1))


def boot(kernel: Path, archive: Path, limit_s: float) -> str:
    """Run the machine until it switches itself off; return what it printed. It has no network."""
    command = [
        "qemu-system-x86_64", "-accel", "tcg", "-m", "768", "-display", "none", "-serial", "stdio", "-no-reboot",
        "-nic", "none", "-kernel", kernel, "-initrd", archive, "-append", "console=ttyS0 quiet panic=-1",
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, timeout=limit_s, check=False, stdin=subprocess.DEVNULL)
    return (done.stdout + done.stderr).decode("utf-8", "replace")
