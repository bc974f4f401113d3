"""The machine's disk: the distribution's own packages, the simulated chip as a module, and Saltern as its README says.

Three layers, each made once and kept outside the tree, in $XDG_CACHE_HOME/saltern-vm (some 3 GB): packages and module
by a hash of what they are made from; wheels by a hash of the constraints; the disk by a hash of the tree's own files.
"""

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
TREE = HERE.parents[2]
CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "saltern-vm"

SUITE, SOURCE, PYTHON = "bookworm", "linux-source-6.1", "3.11"
PACKAGES = (
    "systemd", "systemd-sysv", "udev", "dbus", "kmod", "iproute2", "procps", "sudo", "adduser",
    "python3", "python3-venv", "make", "e2fsprogs", "linux-image-amd64", "initramfs-tools",
)  # fmt: skip
EARLY_MODULES = ("virtio_pci", "virtio_blk", "ext4", "crc32c_generic")
NEEDED = {
    "mmdebstrap": "mmdebstrap",
    "qemu-system-x86_64": "qemu-system-x86",
    "qemu-img": "qemu-utils",
    "mkfs.ext4": "e2fsprogs",
    "gcc": "gcc libc6-dev",
    "make": "make",
    "patch": "patch",
    "xz": "xz-utils",
}
"""Program by program, the package that brings it."""

KERNEL_PARTS = ("drivers/gpio/gpio-sim.c", "drivers/gpio/gpiolib.h", "kernel/irq/irq_sim.c")
SIZE = "2200M"


class NotHereError(Exception):
    """This computer lacks what the machine is made with."""


@dataclass(frozen=True)
class Image:
    """A disk that boots, with the kernel that boots it."""

    root: Path
    kernel: Path
    initrd: Path


def lacking() -> list[str]:
    """Return the packages that are to be installed first."""
    packages = [package for program, package in NEEDED.items() if shutil.which(program) is None]
    if not list(Path("/usr/src").glob("linux-headers-*-amd64")):
        packages.append("linux-headers-amd64")
    if not Path(f"/usr/src/{SOURCE}.tar.xz").exists():
        packages.append(SOURCE)
    return packages


def image() -> Image:
    """Return the disk of this tree, made if it is not kept.

    Raises
    ------
    NotHereError
        With what to install.
    """
    if os.geteuid() != 0:
        raise NotHereError("a disk with other owners' files is made by root alone: run it as root")
    if packages := lacking():
        raise NotHereError(f"apt-get install --no-install-recommends {' '.join(packages)}")
    base = _base()
    wheels = _wheels()
    files = _tracked()
    inside = sorted((HERE / "inside").iterdir())
    own = [file for file in files if not str(file).startswith(("tests/", "hardware/", ".ci"))]
    key = _hash(base.name, wheels.name, *(TREE / file for file in own), *inside)
    made = CACHE / f"disk-{key}"
    _use(made)
    if not (made / "root.img").exists():
        _keep_few("disk-*", 2)
        _say(f"disk {key}: make install")
        _disk(made, base, wheels, files)
    (kernel,) = (base / "boot").glob("vmlinuz-*")
    return Image(made / "root.img", kernel, base / "boot/initrd-small")


def _base() -> Path:
    """Return the distribution's packages unpacked, the simulated chip's module among its kernel's."""
    key = _hash(SUITE, " ".join(PACKAGES), " ".join(EARLY_MODULES), HERE / "gpio-sim.patch", HERE / "Kbuild")
    base = CACHE / f"base-{key}"
    if base.exists():
        return base
    _keep_few("base-*", 1)
    part = CACHE / "base.part"
    shutil.rmtree(part, ignore_errors=True)
    CACHE.mkdir(parents=True, exist_ok=True)
    _say(f"base {key}: packages")
    _run(["mmdebstrap", "--quiet", "--variant=minbase", f"--include={','.join(PACKAGES)}", SUITE, str(part)])
    (modules,) = (part / "lib/modules").iterdir()
    version = modules.name
    headers = Path(f"/usr/src/linux-headers-{version}")
    if not headers.exists():
        raise NotHereError(f"apt-get install linux-headers-{version}: the machine's kernel is of that version")
    _say(f"base {key}: gpio-sim for {version}")
    (modules / "extra").mkdir()
    shutil.copy(_module(headers), modules / "extra")
    _inside(part, ["depmod", version])
    conf = part / "tmp/initramfs"
    shutil.copytree(part / "etc/initramfs-tools", conf)
    (conf / "initramfs.conf").write_text("MODULES=list\nBUSYBOX=auto\nCOMPRESS=gzip\nRUNSIZE=10%\nFSTYPE=ext4\n")
    (conf / "modules").write_text("\n".join(EARLY_MODULES) + "\n")
    _inside(part, ["mkinitramfs", "-d", "/tmp/initramfs", "-o", "/boot/initrd-small", version])
    for waste in ("var/cache/apt", "var/lib/apt/lists", "usr/share/doc", "usr/share/man", "usr/share/locale"):
        shutil.rmtree(part / waste, ignore_errors=True)
    for old in (part / "boot").glob("initrd.img*"):
        old.unlink()
    part.rename(base)
    return base


def _module(headers: Path) -> Path:
    """Build gpio-sim from the distribution's source, with our few lines, against the distribution's headers."""
    work = CACHE / "module"
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir()
    sources = CACHE / "source"
    sources.mkdir(exist_ok=True)
    parts = [f"{SOURCE}/{part}" for part in KERNEL_PARTS]
    _run(["tar", "-xJf", f"/usr/src/{SOURCE}.tar.xz", "-C", str(work), "--strip-components=1", *parts])
    for part in KERNEL_PARTS:
        shutil.copy(work / part, sources)
        (work / part).rename(work / Path(part).name)
    with (HERE / "gpio-sim.patch").open("rb") as lines:
        _run(["patch", "-p0", "--fuzz=0", "-d", str(work)], stdin=lines)
    (work / "gpio-sim.c").rename(work / "sim_chip.c")  # the module itself is to be called gpio-sim
    shutil.copy(HERE / "Kbuild", work)
    _run(["make", "-s", "-C", str(headers), f"M={work}", "modules"])
    return work / "gpio-sim.ko"


def _wheels() -> Path:
    """Return a folder with every wheel that `make install` asks for: the machine has no network."""
    key = _hash(TREE / "pyproject.toml", TREE / "constraints.txt", PYTHON)
    wheels = CACHE / f"wheels-{key}"
    if not wheels.exists():
        _keep_few("wheels-*", 1)
        part = CACHE / "wheels.part"
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        _say(f"wheels {key}")
        pip = [sys.executable, "-m", "pip", "wheel", "--quiet", "--disable-pip-version-check", "-w", str(part)]
        _run([*pip, "-c", str(TREE / "constraints.txt"), f"{TREE}[{_extras()}]", "hatchling", "wheel", "setuptools"])
        for own in part.glob("saltern-*.whl"):
            own.unlink()
        part.rename(wheels)
    return wheels


def _extras() -> str:
    (line,) = (line for line in (TREE / "Makefile").read_text().splitlines() if line.startswith("EXTRAS ?="))
    return line.partition("=")[2].strip()


def _disk(made: Path, base: Path, wheels: Path, files: list[Path]) -> None:
    part = CACHE / "disk.part"
    shutil.rmtree(part, ignore_errors=True)
    shutil.rmtree(made, ignore_errors=True)
    part.mkdir(parents=True)
    root = part / "root"
    _run(["cp", "-a", "--reflink=auto", str(base), str(root)])
    lay_tree(root / "usr/src/saltern", files)
    shutil.copytree(wheels, root / "usr/src/wheels")
    (root / "etc/pip.conf").write_text("[global]\nno-index = true\nfind-links = /usr/src/wheels\n")
    _inside(root, ["make", "-C", "/usr/src/saltern", "install"])
    ours = root / "usr/local/lib/saltern-vm"
    ours.mkdir(parents=True)
    for file in (HERE / "inside").iterdir():
        if file.suffix == ".c":
            _run(["gcc", "-O2", "-static", "-o", str(ours / file.stem), str(file)])
            continue
        into = root / "etc/systemd/system" if file.suffix in (".service", ".mount") else ours
        shutil.copy(file, into)
    for drop_in in ("saltern.service.d", "saltern@.service.d"):
        folder = root / "etc/systemd/system" / drop_in
        folder.mkdir(exist_ok=True)
        shutil.copy(HERE / "inside/machine.conf", folder)
    units = [file.name for file in (HERE / "inside").iterdir() if file.suffix in (".service", ".mount")]
    _inside(root, ["systemctl", "enable", *units])
    (root / "etc/hostname").write_text("bench\n")
    (root / "etc/fstab").write_text("")
    _run(["truncate", "-s", SIZE, str(part / "root.img")])
    _run(["mkfs.ext4", "-q", "-F", "-d", str(root), "-L", "root", str(part / "root.img")])
    shutil.rmtree(root)
    part.rename(made)


def lay_tree(folder: Path, files: list[Path]) -> None:
    """Lay the tree's own files there, as a clone would."""
    for file in files:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(TREE / file, folder / file)


def _tracked() -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "-z", "-co", "--exclude-standard"], cwd=TREE, capture_output=True, check=True
    )
    return sorted(
        Path(os.fsdecode(name)) for name in listed.stdout.split(b"\0") if name and (TREE / os.fsdecode(name)).is_file()
    )


def _inside(root: Path, words: list[str]) -> None:
    """Run something in that tree, kernel's folders mounted, this computer's environment left out."""
    environment = {
        "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
        "HOME": "/root",
        "LC_ALL": "C",
    }
    mounts = [("proc", "proc"), ("sysfs", "sys"), ("devtmpfs", "dev")]
    try:
        for kind, where in mounts:
            _run(["mount", "-t", kind, kind, str(root / where)])
        _run(["chroot", str(root), *words], env=environment)
    finally:
        for _, where in reversed(mounts):
            subprocess.run(["umount", str(root / where)], check=False, capture_output=True)


IN_USE: list[int] = []
"""Locks that this process holds until it ends, and its machines with it."""


def _use(made: Path) -> None:
    """Keep others from throwing a disk away while a machine runs on it, another tree's run beside this one too."""
    CACHE.mkdir(parents=True, exist_ok=True)
    lock = os.open(made.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, 0o600)
    fcntl.flock(lock, fcntl.LOCK_SH)
    IN_USE.append(lock)


def _keep_few(pattern: str, most: int) -> None:
    """Throw the oldest away until there is room for one more; one that is in use stays."""
    kept = sorted((path for path in CACHE.glob(pattern) if path.is_dir()), key=lambda path: path.stat().st_mtime)
    for old in kept[: max(0, len(kept) - most + 1)]:
        with old.with_suffix(".lock").open("a") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                continue
            shutil.rmtree(old)


def _hash(*parts: object) -> str:
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part.read_bytes() if isinstance(part, Path) else str(part).encode())
        digest.update(b"\0")
    return digest.hexdigest()[:12]


def _run(words: list[str], **how: object) -> None:
    done = subprocess.run(words, capture_output="stdout" not in how, check=False, **how)  # type: ignore[call-overload]
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(words[:6])}: {(done.stdout + done.stderr).decode(errors='replace')[-3000:]}")


def _say(text: str) -> None:
    print(f"  {text}", file=sys.stderr, flush=True)
