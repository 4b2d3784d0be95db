"""Paths that a configuration names: usable, or refused in a line before anything is made."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from rightsize.errors import ConfigError, DamageError

_KERNEL_SYSTEMS: Final = frozenset(
    {
        "proc", "sysfs", "debugfs", "tracefs", "securityfs", "configfs", "cgroup", "cgroup2",
        "bpf", "pstore", "efivarfs", "devpts", "devtmpfs", "mqueue", "fusectl", "binfmt_misc",
        "nsfs", "selinuxfs", "rpc_pipefs",
    }
)  # fmt: skip
_MOST_SHOWN: Final = 200  # characters of a path in a message


def usable_path(path: Path) -> Path:
    """A path made absolute, links followed; nothing need be there.

    Raises
    ------
    ConfigError
        If no file can have this path: too long, through a loop of links, or with a NUL.
    """
    try:
        found = path.resolve()
        found.exists()
    except (OSError, RuntimeError, ValueError) as error:
        told = getattr(error, "strerror", None) or str(error)
        raise ConfigError(f"{_cut(str(path))}: cannot be used: {told.lower()}") from None
    return found


def usable_folder(path: Path) -> None:
    """Refuse a folder that cannot be made: below a file or device, or the kernel's own.

    Raises
    ------
    ConfigError
        Naming what is in its place.
    """
    there = next(p for p in (path, *path.parents) if os.path.lexists(p))
    if not there.is_dir():
        raise ConfigError(f"{there}: not a folder; name another workspace, or move it away")
    if there.stat().st_dev in kernel_devices():
        raise ConfigError(
            f"{there}: holds no files but the kernel's own; name another workspace"
        )


def usable_file(path: Path, *, cure: str) -> None:
    """Refuse what stands in the place of a file of ours: to open a pipe may never end.

    Raises
    ------
    DamageError
        Naming it, and what to do.
    """
    if os.path.lexists(path) and not path.is_file():
        raise DamageError(f"{path}: not a file; {cure}")


def kernel_devices() -> frozenset[int]:
    """Devices of mounted file systems that hold no files but the kernel's own."""
    try:
        mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return frozenset()
    devices = set()
    for line in mounts.splitlines():
        before, _, after = line.partition(" - ")
        if after.split()[:1] and after.split()[0] in _KERNEL_SYSTEMS:
            major, minor = before.split()[2].split(":")
            devices.add(os.makedev(int(major), int(minor)))
    return frozenset(devices)


def _cut(text: str) -> str:
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}..."
