"""Pictures of the pages before, kept in the workspace for the next ones.

Most of a site page's pictures rest on its account's result, which few nights move; drawing
takes most of a page's time. A picture is kept by a digest of all that it is drawn from and the
version of what draws it. A file that is missing or damaged costs the drawing of its pictures.
"""

from __future__ import annotations

from collections import UserDict
from collections.abc import Iterator
from contextlib import contextmanager

from pipelines.store.checksum import sealed_json, unsealed_json
from pipelines.store.storage import write_text
from pipelines.store.workspace import Workspace
from rightsize.evidence.pictures.picture import pictures_kept


class _Used(UserDict[str, str]):
    """Pictures, and which of them were asked for."""

    def __init__(self, held: dict[str, str]) -> None:
        super().__init__(held)
        self.used: dict[str, str] = {}

    def __getitem__(self, key: str) -> str:
        picture = self.used[key] = super().__getitem__(key)
        return picture


@contextmanager
def drawn_before(workspace: Workspace) -> Iterator[None]:
    """Within it, in this context, pictures of the pages before are used again.

    Afterwards those that the pages show are kept.
    """
    pictures = _Used(_held(workspace))
    with pictures_kept(pictures):
        yield
    write_text(workspace.pictures, sealed_json(pictures.used))


def _held(workspace: Workspace) -> dict[str, str]:
    try:
        text = workspace.pictures.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return {}
    return unsealed_json(text) or {}
