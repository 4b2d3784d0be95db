"""Blocks of results from workers that share no disk with the machine that was asked.

A worker leaves all blocks of a bucket, and the note that it is done, as one folder of the
workspace's storage, named by what the results rest on. From there they are brought to the
folder that a worker on this machine would have written into. A later sweep on the same inputs
finds what a stopped one left; one on other inputs removes it.
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
    """The name below which workers leave their blocks; at the end they are in `folder`.

    What a stopped sweep left is brought at once. After a failure all stays where it is.
    """
    far = _named(workspace, record, fresh=fresh)
    _bring(workspace, far, folder)
    yield far
    _bring(workspace, far, folder)
    workspace.storage.keep_folders(far.parent, far.name, ())


def _named(workspace: Workspace, record: SweepRecord, *, fresh: bool) -> Path:
    """What is left of other inputs is removed, and with `fresh` what is left of these."""
    folder = workspace.assess / f"inputs={resume.inputs_key(record)}"
    kept = () if fresh else (folder,)
    workspace.storage.keep_folders(workspace.assess, "inputs=*", kept)
    return folder


def _bring(workspace: Workspace, far: Path, folder: Path) -> None:
    """Bring the blocks of each finished bucket that is not noted as done in `folder`."""
    storage = workspace.storage
    for made in storage.folders(far, BUCKET_FOLDERS):
        if resume.bucket_done(folder, bucket_of(made)) is not None:
            continue
        with storage.at_hand(storage.files(made, "*/*")) as here:
            target = {folder / name.relative_to(made): path for name, path in here.items()}
            marks = {p: c for p, c in target.items() if p.parent.name == resume.DONE}
            DiskStorage().put_files({p: c for p, c in target.items() if p not in marks})
            DiskStorage().put_files(marks)
