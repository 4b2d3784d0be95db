"""What readers open is a link to a folder; here it is replaced, in one step.

A workspace that was copied with its links followed holds a folder in the place of the link. The
folder counts as what is shown, and makes way when the next one is shown.
"""

from __future__ import annotations

import os
import shutil
import uuid
from pathlib import Path


def folder_shown(link: Path) -> Path | None:
    """The folder that readers see, or None before the first."""
    return link.resolve() if link.is_dir() else None


def show(link: Path, folder: Path) -> Path | None:
    """Let `link` lead to `folder`, which lies beside it in a folder of versions.

    Returns
    -------
    path or None
        What was shown before: for `keep_two`.
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
    """Remove all versions but the one shown and the one before, which readers may have open."""
    for other in folder.parent.iterdir():
        if other not in (folder, before):
            shutil.rmtree(other, ignore_errors=True)
