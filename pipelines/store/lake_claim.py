"""One workspace, one lake: a lake in an object store belongs to the workspace that created it.

The store has `workspace.json`, written once by the first sweep, and the workspace a record of
the same content and the URL. Two workspaces that load into one lake would each find files there
that are not in their ledger; a workspace with a changed URL would find none of its own.
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
from rightsize.errors import ConfigError, DamageError

_CLAIM: Final = "workspace.json"


def claim_lake(workspace: Workspace) -> None:
    """Claim the configured lake for this workspace; nothing to do for a lake on local disk.

    Raises
    ------
    ConfigError
        If the lake belongs to another workspace, or this workspace's lake is elsewhere.
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
    _note(workspace, ours, held_at)  # before writing to the store, so that a crash keeps it
    theirs = _claim_of(workspace.lake_url, ours, workspace.root)
    if theirs["workspace"] != ours:
        raise ConfigError(
            f"lake: {workspace.lake_url} belongs to workspace {theirs['root']}; "
            "use another lake URL for this one"
        )
    _note(workspace, ours, workspace.lake_url)


def _claim_of(url: str, ours: str, root: Path) -> dict[str, Any]:
    """The claim in the store; ours if there was none."""
    store, key = store_of(url), f"{url.rstrip('/')}/{_CLAIM}"
    with asking(url):
        if not store.exists(key):
            content = json.dumps({"workspace": ours, "root": str(root)}).encode()
            with suppress(FileExistsError):  # if two start at once, the first one wins
                store.pipe_file(key, content, mode="create")
        claim: dict[str, Any] = json.loads(store.cat_file(key))
    return claim


def _note(workspace: Workspace, ours: str, url: str | None) -> None:
    write_text(workspace.lake_claim, json.dumps({"workspace": ours, "url": url}))


def _noted(path: Path) -> dict[str, Any]:
    try:
        noted: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(noted, dict):
            raise ValueError("no mapping")
    except FileNotFoundError:
        return {}
    except (ValueError, RecursionError):
        raise DamageError(
            f"{path} is damaged: it names the object store of the lake; restore it from a "
            "backup, or remove it if the lake is in the workspace"
        ) from None
    return noted


def _has_lake(workspace: Workspace) -> bool:
    return any(workspace.lake.glob(f"{LAKE_FOLDERS}/*.parquet"))


def _moved_text(workspace: Workspace, held_at: str | None) -> str:
    wanted = workspace.lake_url or "the workspace"
    return (
        f"lake: the reads of workspace {workspace.root} are in "
        f"{held_at or workspace.lake}, but the configuration says {wanted}; to move them, see "
        "'Object stores' in the operations guide"
    )
