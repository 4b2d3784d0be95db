"""Temporary files and folders named by their process, so that those of a dead one can go."""

from __future__ import annotations

import os
import re
import shutil
import time
import uuid
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

_OLD_S: Final = 6 * 3600
"""After so long a file of another machine's process is taken for left behind."""
_OWNED: Final = re.compile(r"\.rs-(?P<host>[0-9a-f]{8})-(?P<pid>\d+)-[0-9a-f]{16}")
_HOST: Final = f"{uuid.uuid5(uuid.NAMESPACE_DNS, os.uname().nodename).hex[:8]}"


def own_name(name: str) -> str:
    """A name that no other file has, and that tells which process it belongs to."""
    return f"{name}.rs-{_HOST}-{os.getpid()}-{uuid.uuid4().hex[:16]}"


def drop_left(folder: Path, pattern: str = "*") -> None:
    """Remove matching entries of dead processes, and what nobody owns and is hours old."""
    for path in folder.glob(pattern):
        if _is_left(path):
            with suppress(OSError):
                shutil.rmtree(path) if path.is_dir() else path.unlink()


def drop_of_the_dead(folder: Path, pattern: str = "*") -> None:
    """Remove matching entries of dead processes of this machine, and nothing else."""
    for path in owned(folder, pattern):
        if _is_dead(path.name):
            with suppress(OSError):
                shutil.rmtree(path) if path.is_dir() else path.unlink()


def owned(folder: Path, pattern: str = "*") -> Iterator[Path]:
    """Matching entries that carry the name of a process."""
    return (path for path in folder.glob(pattern) if _OWNED.search(path.name))


def _is_left(path: Path) -> bool:
    if _is_dead(path.name):
        return True
    with suppress(OSError):
        return time.time() - path.stat().st_mtime > _OLD_S
    return False


def _is_dead(name: str) -> bool:
    """Whether a name is that of a process of this machine that has ended."""
    said = _OWNED.search(name)
    if said is None or said["host"] != _HOST:
        return False
    try:
        os.kill(int(said["pid"]), 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False
