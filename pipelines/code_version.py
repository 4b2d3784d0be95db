"""Which code made a result: the release, and a digest of the sources that ran."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

import rightsize
from pipelines.resources import data_root


@cache
def code_version() -> str:
    """Release and digest, e.g. `0.1.0+4f1c9a20`: a changed line is another version."""
    package = Path(rightsize.__file__).resolve().parent
    files = [
        *package.rglob("*.py"),
        *Path(__file__).resolve().parent.rglob("*.py"),
        *(data_root() / "sql").rglob("*.sql"),
    ]
    digest = hashlib.sha256()
    for path in sorted(files, key=lambda p: p.as_posix().split("rightsize", 1)[-1]):
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return f"{rightsize.__version__}+{digest.hexdigest()[:8]}"
