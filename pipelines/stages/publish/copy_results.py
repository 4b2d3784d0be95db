"""A copy of each publication in an object store, for readers without a shared disk.

```
<url>/sweeps/<sweep>/results.duckdb
<url>/sweeps/<sweep>/parquet/<table>/<sweep of the rows>.parquet
<url>/latest.json      which sweep is the newest, with size and SHA-256 of every file
```
`latest.json` is one object, written after all others: its readers find the old or the new
publication, always complete. The previous publication is kept for readers still using it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from pathlib import Path
from typing import Any, Final

from pipelines.store.object_store import asking, store_of
from pipelines.store.workspace import Workspace
from pipelines.work.observe import event

LATEST: Final = "latest.json"


def is_copied(url: str, sweep_id: str) -> bool:
    """Whether the store's newest publication is this one.

    Raises
    ------
    StoreError
        If the store does not answer.
    """
    return latest(url).get("sweep_id") == sweep_id


def latest(url: str) -> dict[str, Any]:
    """Content of the store's `latest.json`; empty before the first copy."""
    store = store_of(url)
    with asking(url):
        try:
            latest: dict[str, Any] = json.loads(store.cat_file(f"{_root(url)}/{LATEST}"))
        except FileNotFoundError:
            return {}
    return latest


def copy_results(workspace: Workspace, sweep_id: str, url: str) -> int:
    """Copy the publication; returns the number of files.

    Raises
    ------
    StoreError
        If the upload fails; the store's newest publication is then still the previous one.
    """
    store, before = store_of(url), latest(url).get("sweep_id")
    target = f"{_root(url)}/sweeps/{sweep_id}"
    files = []
    with asking(url):
        for name, path in _files(workspace):
            store.put_file(str(path), f"{target}/{name}")
            with path.open("rb") as content:
                digest = hashlib.file_digest(content, "sha256").hexdigest()
            files.append({"name": name, "bytes": path.stat().st_size, "sha256": digest})
        store.pipe_file(f"{_root(url)}/{LATEST}", _manifest(sweep_id, files))
        _drop_others(store, url, {sweep_id, before})
    event("results copied", to=url, files=len(files), bytes=sum(f["bytes"] for f in files))
    return len(files)


def _files(workspace: Workspace) -> list[tuple[str, Path]]:
    """Names in the store and files here: the database and its Parquet copy."""
    parquet_folder = (workspace.published / "parquet").resolve()
    parquet = sorted(p for p in parquet_folder.rglob("*") if p.is_file())
    named = [(f"parquet/{p.relative_to(parquet_folder).as_posix()}", p) for p in parquet]
    return [(workspace.results.name, workspace.results), *named]


def _manifest(sweep_id: str, files: list[dict[str, Any]]) -> bytes:
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    latest = {
        "sweep_id": sweep_id,
        "folder": f"sweeps/{sweep_id}",
        "copied_at": now,
        "files": files,
    }
    return json.dumps(latest, indent=1).encode()


def _drop_others(store: Any, url: str, kept: set[str | None]) -> None:
    """Remove all publications except this one and the previous one."""
    for folder in store.ls(f"{_root(url)}/sweeps", detail=False):
        if folder.rstrip("/").rsplit("/", 1)[-1] not in kept:
            store.rm(folder, recursive=True)


def _root(url: str) -> str:
    return url.rstrip("/")
