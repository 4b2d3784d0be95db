"""Which code made a result: the release, and a digest of the sources that decide results."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import Final

import rightsize
from pipelines.store.resources import data_root

_SHOWS_ONLY: Final = (
    "pipelines/handbook/*.py",
    "pipelines/demo/*.py",
    "pipelines/commands/query*.py",
    "pipelines/*/*summary.py",
    "pipelines/pages/page_render.py",
    "pipelines/stages/publish/newest.py",
    "pipelines/pages/evidence.py",
    "pipelines/pages/fleet_pages.py",
    "pipelines/stages/validate/validation_page.py",
    "rightsize/evidence/*.py",
    "sql/80_cookbook/*.sql",
    "sql/80_summary/*.sql",
    "sql/85_evidence/*.sql",
)
"""Sources that write about results and cannot move one; a new file counts until it is named."""


@cache
def code_version() -> str:
    """Release and digest, e.g. `0.1.0+4f1c9a20`: a changed line is another version."""
    digest = hashlib.sha256()
    for name, path in sorted(deciding_sources().items()):
        digest.update(name.encode())
        digest.update(path.read_bytes())
    return f"{rightsize.__version__}+{digest.hexdigest()[:8]}"


@cache
def pages_version() -> str:
    """Digest of what draws the pages: after a change they are drawn again, results or none."""
    package = Path(rightsize.__file__).resolve().parent
    here = Path(__file__).resolve().parents[1]
    files = [
        *(p for p in (package / "evidence").rglob("*") if p.suffix != ".pyc" and p.is_file()),
        *(data_root() / "sql" / "85_evidence").glob("*.sql"),
        *(here / "pages" / name for name in ("evidence.py", "fleet_pages.py")),
        here / "stages" / "publish" / "newest.py",
    ]
    digest = hashlib.sha256()
    for path in sorted(files):
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def deciding_sources() -> dict[str, Path]:
    """Sources that may move a result, by their path in the project."""
    roots = {
        "rightsize": (Path(rightsize.__file__).resolve().parent, "*.py"),
        "pipelines": (Path(__file__).resolve().parents[1], "*.py"),
        "sql": (data_root() / "sql", "*.sql"),
    }
    found = {
        f"{name}/{path.relative_to(root).as_posix()}": path
        for name, (root, kind) in roots.items()
        for path in root.rglob(kind)
    }
    return {
        name: path
        for name, path in found.items()
        if not any(Path(name).match(shown) for shown in _SHOWS_ONLY)
    }
