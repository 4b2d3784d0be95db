"""One workspace, one lake: a store's lake belongs to the workspace that began it.

The store holds `workspace.json`, put by the first sweep and never again, and the workspace a
note of the same name and of the URL. Two workspaces that landed into one lake would each find
files there that its ledger does not hold; a workspace that was pointed elsewhere would find
none of its own.
"""

from __future__ import annotations

import json
import uuid
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from pipelines.store.lake_partition import LAKE_FOLDERS
from pipelines.store.object_store import asking, store_of
from pipelines.store.storage import write_text
from pipelines.store.workspace import Workspace
from rightsize.errors import ConfigError

_CLAIM: Final = "workspace.json"


def claim_lake(workspace: Workspace) -> None:
    """Take the configured lake for this workspace; nothing to do for one on its own disk.

    Raises
    ------
    ConfigError
        If the lake is another workspace's, or this workspace's lake lies elsewhere.
    StoreError
        If the store does not answer.
    """
    noted = _noted(workspace.lake_claim)
    held_at = noted.get("url")
    if held_at != workspace.lake_url and (held_at or _has_lake(workspace)):
        raise ConfigError(_moved_text(workspace, held_at))
    if workspace.lake_url is None:
        return
    ours = noted.get("workspace") or uuid.uuid4().hex
    _note(workspace, ours, held_at)  # before the store has the name, so that a crash keeps it
    theirs = _claim_of(workspace.lake_url, ours, workspace.root)
    if theirs["workspace"] != ours:
        raise ConfigError(
            f"lake: {workspace.lake_url} belongs to the workspace {theirs['root']}; "
            "give this one a URL of its own"
        )
    _note(workspace, ours, workspace.lake_url)


def _claim_of(url: str, ours: str, root: Path) -> dict[str, Any]:
    """The claim in the store: ours, where there was none."""
    store, key = store_of(url), f"{url.rstrip('/')}/{_CLAIM}"
    with asking(url):
        if not store.exists(key):
            content = json.dumps({"workspace": ours, "root": str(root)}).encode()
            with suppress(FileExistsError):  # of two that begin at once the first stands
                store.pipe_file(key, content, mode="create")
        claim: dict[str, Any] = json.loads(store.cat_file(key))
    return claim


def _note(workspace: Workspace, ours: str, url: str | None) -> None:
    write_text(workspace.lake_claim, json.dumps({"workspace": ours, "url": url}))


def _noted(path: Path) -> dict[str, Any]:
    try:
        noted: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    return noted


def _has_lake(workspace: Workspace) -> bool:
    return any(workspace.lake.glob(f"{LAKE_FOLDERS}/*.parquet"))


def _moved_text(workspace: Workspace, held_at: str | None) -> str:
    wanted = workspace.lake_url or "the workspace"
    return (
        f"lake: the reads of workspace {workspace.root} lie in "
        f"{held_at or workspace.lake}, the configuration says {wanted}; to move them see "
        "'Object stores' in the operations guide"
    )
