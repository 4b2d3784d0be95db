"""Exports in an object store: copied into the workspace, then landed like any other file.

Copies follow the store: a changed object is fetched again, the copy of a deleted one is
removed. The version of each copy is recorded in `objects.json` beside the copies after each
object, so a stopped fetch resumes where it was.
"""

from __future__ import annotations

import glob
import json
import os
from pathlib import Path
from typing import Any, Final

from pipelines.configuration.load_settings import Loaded
from pipelines.store.file_stamp import export_paths
from pipelines.store.leftovers import own_name
from pipelines.store.object_store import asking, copied_as, is_url, store_of
from pipelines.store.storage import write_text
from pipelines.store.workspace import Workspace
from pipelines.work.observe import event
from rightsize.errors import StoreError

_VERSION_KEYS: Final = ("ETag", "etag", "md5Hash", "mtime", "LastModified", "created")


def fetch_exports(loaded: Loaded, workspace: Workspace) -> int:
    """Fetch new export objects from an object store; returns how many.

    Raises
    ------
    StoreError
        If a store does not answer, or an object has a key outside the store's folder.
    """
    urls = [e.path for e in loaded.settings.exports if is_url(e.path)]
    return sum(_fetch(url, workspace.fetched) for url in urls)


def _fetch(url: str, folder: Path) -> int:
    store, known, fetched = store_of(url), _known(folder), 0
    with asking(url):
        there = _objects(store, url)
    for name, info in there.items():
        copy = _copy_of(folder, url, name)
        version = _version(info)
        if known.get(name) == version and copy.is_file():
            continue
        with asking(f"{url.partition('://')[0]}://{name}"):
            _get(store, name, int(info["size"]), copy)
        known[name] = version
        _remember(folder, known)
        event("fetched", object=name, bytes=info["size"])
        fetched += 1
    _drop_vanished(url, folder, there)
    return fetched


def _objects(store: Any, url: str) -> dict[str, dict[str, Any]]:
    """Objects that the URL's glob names; a URL that ends in a slash means all below it."""
    pattern = f"{url}*" if url.endswith("/") else url
    if glob.has_magic(url) and store.isfile(url):  # an object of just this name is meant
        return {url.partition("://")[2]: store.info(url)}
    found: dict[str, dict[str, Any]] = store.glob(pattern, detail=True)
    return {
        name.lstrip("/"): info for name, info in sorted(found.items()) if info["type"] == "file"
    }


def _copy_of(folder: Path, url: str, name: str) -> Path:
    copy = folder / url.partition("://")[0] / name
    if ".." in copy.parts:
        raise StoreError(f"{url}: key {name!r} points outside the workspace; rename the object")
    return copy


def _version(info: dict[str, Any]) -> str:
    """Identifies the version of an object."""
    return " ".join(str(info[k]) for k in ("size", *_VERSION_KEYS) if k in info)


def _get(store: Any, name: str, size: int, copy: Path) -> None:
    """One object, complete or absent."""
    copy.parent.mkdir(parents=True, exist_ok=True)
    aside = copy.with_name(f"{own_name('')}.part")
    try:
        store.get_file(name, str(aside))
        if aside.stat().st_size != size:
            raise StoreError(
                f"{name}: incomplete download, {aside.stat().st_size:,} of {size:,} bytes"
            )
        os.replace(aside, copy)
    finally:
        aside.unlink(missing_ok=True)


def _drop_vanished(url: str, folder: Path, there: dict[str, dict[str, Any]]) -> None:
    kept = {_copy_of(folder, url, name) for name in there}
    for copy in export_paths(copied_as(folder, url))[0]:
        if copy not in kept:
            copy.unlink(missing_ok=True)


def _known(folder: Path) -> dict[str, str]:
    try:
        known: dict[str, str] = json.loads((folder / "objects.json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return known


def _remember(folder: Path, known: dict[str, str]) -> None:
    write_text(folder / "objects.json", json.dumps(known, indent=0, sort_keys=True))
