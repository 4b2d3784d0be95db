"""Readers open a link to a folder; this module replaces the link in one step.

A workspace that was copied with its links followed has a folder in place of the link. That
folder counts as the current version and is replaced by the next one.
"""

from __future__ import annotations

import os
import shutil
import uuid
from pathlib import Path


def folder_shown(link: Path) -> Path | None:
    """The folder that readers see, or None if there is none yet."""
    return link.resolve() if link.is_dir() else None


def show(link: Path, folder: Path) -> Path | None:
    """Point `link` to `folder`, which is in a folder of versions beside it.

    Returns
    -------
    path or None
        The previous folder, for `keep_two`.
    """
    before = folder_shown(link)
    if before is not None and not link.is_symlink():
        before = folder.parent / f"copied-{uuid.uuid4().hex[:8]}"
        os.rename(link, before)
    fresh = link.with_name(f".{link.name}.new")
    fresh.unlink(missing_ok=True)
    fresh.symlink_to(Path(folder.parent.name) / folder.name)
    os.replace(fresh, link)
    return before


def keep_two(folder: Path, before: Path | None) -> None:
    """Remove all versions except the current and the previous, which readers may have open."""
    for other in folder.parent.iterdir():
        if other not in (folder, before):
            shutil.rmtree(other, ignore_errors=True)
