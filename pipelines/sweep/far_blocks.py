"""Result blocks from workers that share no disk with this machine.

A worker puts all blocks of a bucket, and the marker that it is finished, as one folder into the
workspace's storage, named by the inputs of the results. From there they are copied to the
folder that a worker on this machine would have written to. A later sweep on the same inputs
reuses what a stopped one left; one on other inputs removes it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipelines.store.lake_partition import BUCKET_FOLDERS, bucket_of
from pipelines.store.storage import DiskStorage
from pipelines.store.workspace import Workspace
from pipelines.sweep import resume
from rightsize.contracts.sweep_record import SweepRecord


@contextmanager
def gathering(
    workspace: Workspace, record: SweepRecord, folder: Path, *, fresh: bool = False
) -> Iterator[Path]:
    """The name under which workers put their blocks; at the end they are in `folder`.

    Blocks of a stopped sweep are copied first. After a failure everything stays in place.
    """
    far = _named(workspace, record, fresh=fresh)
    _bring(workspace, far, folder)
    yield far
    _bring(workspace, far, folder)
    workspace.storage.keep_folders(far.parent, far.name, ())


def _named(workspace: Workspace, record: SweepRecord, *, fresh: bool) -> Path:
    """Remove blocks of other inputs, and with `fresh` also those of these inputs."""
    folder = workspace.assess / f"inputs={resume.inputs_key(record)}"
    kept = () if fresh else (folder,)
    workspace.storage.keep_folders(workspace.assess, "inputs=*", kept)
    return folder


def _bring(workspace: Workspace, far: Path, folder: Path) -> None:
    """Copy the blocks of each finished bucket that is not marked in `folder`."""
    storage = workspace.storage
    for made in storage.folders(far, BUCKET_FOLDERS):
        if resume.bucket_done(folder, bucket_of(made)) is not None:
            continue
        with storage.at_hand(storage.files(made, "*/*")) as here:
            target = {folder / name.relative_to(made): path for name, path in here.items()}
            marks = {p: c for p, c in target.items() if p.parent.name == resume.DONE}
            DiskStorage().put_files({p: c for p, c in target.items() if p not in marks})
            DiskStorage().put_files(marks)
