"""Storage of the lake, profiles and partial results: in the workspace or an object store.

Every file is named by its path below the workspace, `lake/interval_read/month=2025-01/...`,
wherever it is stored. In an object store it is the object `<url>/lake/interval_read/...`, and
readers use a temporary copy: only put, get, list and delete of whole objects are needed, so
workers need no shared disk.

An object exists completely or not at all; a folder does not: in a store, a folder counts only
once its last object, `complete`, exists. Files and folders are named by their content, so
writing one twice writes the same.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final, Protocol

from pipelines.store import checksum
from pipelines.store.leftovers import own_name
from pipelines.store.object_store import asking, store_of
from pipelines.store.private_files import private_folder
from rightsize.errors import StoreError

COMPLETE: Final = "complete"
_COPIES: Final = "copies"

Here = Mapping[Path, Path]
"""Local path of each file, by name."""


class Storage(Protocol):
    """Files and folders by their names below the workspace."""

    def files(self, folder: Path, pattern: str) -> list[Path]:
        """Names of matching files below a folder, in a fixed order; complete ones only."""

    def folders(self, folder: Path, pattern: str) -> list[Path]:
        """Names of matching folders below a folder, in a fixed order; complete ones only."""

    def at_hand(self, files: Iterable[Path]) -> AbstractContextManager[Here]:
        """Local paths of files for reading, within the block; checksums are verified.

        Raises
        ------
        DamageError
            If one of them is damaged or missing.
        """

    def making(self, folder: Path) -> AbstractContextManager[Path]:
        """An empty folder to write into; at the end it becomes the folder of that name."""

    def put_files(self, made: Here) -> None:
        """Move finished local files to their names."""

    def drop_files(self, files: Iterable[Path]) -> None:
        """Remove files listed by `files`."""

    def keep_folders(self, folder: Path, pattern: str, kept: Iterable[Path]) -> None:
        """Remove every matching folder except those kept, and leftovers of crashes."""


class DiskStorage:
    """Every name is the path itself; a rename makes a file or a folder count."""

    def files(self, folder: Path, pattern: str) -> list[Path]:
        """As `Storage.files`."""
        return sorted(p for p in folder.glob(pattern) if p.name[0] != ".")

    def folders(self, folder: Path, pattern: str) -> list[Path]:
        """As `Storage.folders`."""
        return sorted(p for p in folder.glob(pattern) if p.name[0] != "." and p.is_dir())

    def at_hand(self, files: Iterable[Path]) -> AbstractContextManager[Here]:
        """As `Storage.at_hand`."""
        here = {file: file for file in files}
        _verify(here)
        return nullcontext(here)

    @contextmanager
    def making(self, folder: Path) -> Iterator[Path]:
        """As `Storage.making`."""
        aside = folder.with_name(own_name(f".{folder.name}"))
        aside.mkdir(parents=True)
        try:
            yield aside
            if not folder.is_dir():
                aside.rename(folder)
        finally:
            shutil.rmtree(aside, ignore_errors=True)

    def put_files(self, made: Here) -> None:
        """As `Storage.put_files`; each is put at once."""
        for file, path in made.items():
            file.parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, file)

    def drop_files(self, files: Iterable[Path]) -> None:
        """As `Storage.drop_files`."""
        for file in files:
            file.unlink(missing_ok=True)

    def keep_folders(self, folder: Path, pattern: str, kept: Iterable[Path]) -> None:
        """As `Storage.keep_folders`."""
        for other in set(folder.glob(pattern)).difference(kept):
            shutil.rmtree(other, ignore_errors=True)


@dataclass(frozen=True)
class ObjectStorage:
    """Objects below `url`, one a file, by their names below `root`.

    Copies are in `scratch` while they are read. All methods raise `StoreError` if the store
    does not answer or fails.
    """

    root: Path
    url: str
    scratch: Path

    def files(self, folder: Path, pattern: str) -> list[Path]:
        """As `Storage.files`."""
        return [p for p in self._below(folder, pattern) if p.name != COMPLETE]

    def folders(self, folder: Path, pattern: str) -> list[Path]:
        """As `Storage.folders`."""
        return [p.parent for p in self._below(folder, f"{pattern}/{COMPLETE}")]

    @contextmanager
    def at_hand(self, files: Iterable[Path]) -> Iterator[Here]:
        """As `Storage.at_hand`; the copies keep their names below a folder of their own."""
        wanted = list(dict.fromkeys(files))
        with self._own_folder() as own:
            here = {file: own / file.relative_to(self.root) for file in wanted}
            self._get(here)
            _verify(here)
            yield here

    @contextmanager
    def making(self, folder: Path) -> Iterator[Path]:
        """As `Storage.making`."""
        with self._own_folder() as own:
            yield own
            made = sorted(p for p in own.rglob("*") if p.is_file())
            self._put({folder / p.relative_to(own): p for p in made})
            with asking(self.url):
                self._store().pipe_file(self._key(folder / COMPLETE), b"")

    def put_files(self, made: Here) -> None:
        """As `Storage.put_files`; each is put at once."""
        self._put(made)
        for path in made.values():
            path.unlink()

    def drop_files(self, files: Iterable[Path]) -> None:
        """As `Storage.drop_files`."""
        self._remove(list(files))

    def keep_folders(self, folder: Path, pattern: str, kept: Iterable[Path]) -> None:
        """As `Storage.keep_folders`; markers go first, so that no partial folder counts."""
        depth, stay = pattern.count("/") + 1, set(kept)
        stale = []
        for name in self._below(folder):
            above = folder.joinpath(*name.relative_to(folder).parts[:depth])
            if above not in stay and _matches(
                PurePosixPath(above.relative_to(folder)), pattern
            ):
                stale.append(name)
        self._remove([n for n in stale if n.name == COMPLETE])
        self._remove([n for n in stale if n.name != COMPLETE])

    def _below(self, folder: Path, pattern: str | None = None) -> list[Path]:
        """Names of all objects below a folder; those that match a pattern part by part."""
        top = PurePosixPath(self._plain(folder))
        with asking(self.url):
            found = self._store().find(self._key(folder))
        names = [PurePosixPath(key.lstrip("/")).relative_to(top) for key in found]
        matching = [n for n in names if pattern is None or _matches(n, pattern)]
        return sorted(folder / name for name in matching)

    def _remove(self, names: list[Path]) -> None:
        if names:
            with asking(self.url), suppress(FileNotFoundError):
                self._store().rm([self._key(name) for name in names])

    def _get(self, here: Here) -> None:
        if not here:
            return
        for copy in here.values():
            copy.parent.mkdir(parents=True, exist_ok=True)
        keys = [self._key(file) for file in here]
        with asking(self.url):
            self._store().get(keys, [str(copy) for copy in here.values()])
        gone = [
            key for key, copy in zip(keys, here.values(), strict=True) if not copy.is_file()
        ]
        if gone:
            raise StoreError(f"{self.url}: {gone[0]} could not be downloaded")

    def _put(self, made: Here) -> None:
        if not made:
            return
        store, keys = self._store(), [self._key(name) for name in made]
        with asking(self.url):
            store.put([str(path) for path in made.values()], keys)
            for key, path in zip(keys, made.values(), strict=True):
                if store.size(key) != path.stat().st_size:
                    raise StoreError(f"{self.url}: {key} is incomplete after upload")

    def _store(self) -> Any:
        return store_of(self.url)

    def _key(self, name: Path) -> str:
        return f"{self.url.rstrip('/')}/{name.relative_to(self.root).as_posix()}"

    def _plain(self, name: Path) -> str:
        """The store's own key, without scheme."""
        return self._key(name).partition("://")[2].lstrip("/")

    @contextmanager
    def _own_folder(self) -> Iterator[Path]:
        place = scratch_here(self.scratch)
        place.mkdir(parents=True, exist_ok=True)
        own = place / own_name(_COPIES)
        own.mkdir(mode=0o700)
        try:
            yield own
        finally:
            shutil.rmtree(own, ignore_errors=True)


def scratch_here(scratch: Path) -> Path:
    """Folder for temporary files on this machine.

    `RIGHTSIZE_SCRATCH` of the environment; else the workspace's scratch folder if this machine
    has the workspace, or the system's temporary folder if not.
    """
    if named := os.environ.get("RIGHTSIZE_SCRATCH"):
        return Path(named)
    if scratch.parent.is_dir():
        return scratch
    own = Path(tempfile.gettempdir()) / f"rightsize-scratch-{os.geteuid()}"
    private_folder(own)  # everyone can write there, and the name is not secret
    return own


def write_text(path: Path, text: str) -> None:
    """A small file, complete or absent."""
    path.parent.mkdir(parents=True, exist_ok=True)
    put_file(path, text.encode())


def put_file(path: Path, content: bytes) -> None:
    """A file in its place, complete or as it was before; nothing beside it is left."""
    aside = path.with_name(f"{own_name('')}.part")
    try:
        aside.write_bytes(content)
        os.replace(aside, path)
    finally:
        with suppress(OSError):
            aside.unlink(missing_ok=True)


def _verify(here: Here) -> None:
    checksum.check((name, path) for name, path in here.items() if name.suffix == ".parquet")


def _matches(name: PurePosixPath, pattern: str) -> bool:
    return len(name.parts) == pattern.count("/") + 1 and name.match(pattern)


def local_paths(here: Here, files: Iterable[Path] | None = None) -> list[str]:
    """Local paths of files, of all if not given; sorted, as DuckDB takes them."""
    return sorted(str(here[file]) for file in (here if files is None else files))
