"""Partial results of a stopped sweep, reused by a later sweep on the same inputs.

Result blocks are in `assess/<sweep>/`, beside a record of their inputs and a marker for each
finished bucket. A later sweep on the same inputs takes over the folder under its own name and
assesses only the buckets without a marker. Priors learned from the fleet are kept the same way.
Any changed input, a line of code included, means everything is recomputed. A marker names the
bucket's blocks: one that is damaged or missing has its bucket assessed again.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Final

from pipelines.stages.assess.assess import BucketResult
from pipelines.store.checksum import State, sealed_json, state_of, unsealed_json
from pipelines.store.storage import write_text
from pipelines.store.workspace import Workspace
from rightsize.contracts.sweep_record import SweepRecord
from rightsize.errors import DamageError
from rightsize.inference.meter.censoring import LearntPrior
from rightsize.inference.water_use.priors import SteadyPrior

DONE: Final = "done"
_INPUTS = (
    "config_hash",
    "catalogue_hash",
    "meters_hash",
    "lake_hash",
    "code_version",
    "timezone",
    "buckets",
)
_LEARNED: Final = ("gain_correction", "leak_repair")
"""Documents learned from history, which no hash of the inputs holds."""


def inputs_key(record: SweepRecord) -> str:
    """One key for all inputs of a sweep's results."""
    parts = [str(getattr(record, name)) for name in _INPUTS]
    held = (record.documents[name] for name in _LEARNED if name in record.documents)
    parts.extend(json.dumps(document, sort_keys=True) for document in held)
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]


def take_over(workspace: Workspace, record: SweepRecord, *, fresh: bool = False) -> Path:
    """The sweep's folder of blocks, with those of a stopped sweep if still valid."""
    key = inputs_key(record)
    target = workspace.assess / record.sweep_id
    workspace.assess.mkdir(parents=True, exist_ok=True)
    for left in sorted(workspace.assess.iterdir(), reverse=True):
        if left == target:
            continue  # a retried stage continues in its own folder
        if not fresh and not target.exists() and _text_of(left / "inputs") == key:
            left.rename(target)
        else:
            shutil.rmtree(left, ignore_errors=True)
    target.mkdir(exist_ok=True)
    write_text(target / "inputs", key)
    return target


def bucket_done(folder: Path, bucket: str) -> BucketResult | None:
    """The counts of a bucket, if all its blocks are written and whole."""
    said = unsealed_json(_text_of(folder / DONE / f"{bucket}.json") or "")
    if said is None or broken_blocks(folder, bucket, said["blocks"]):
        return None
    return BucketResult(**said["counts"])


def broken_blocks(folder: Path, bucket: str, tables: Sequence[str]) -> list[Path]:
    """Blocks of a finished bucket that are missing or damaged."""
    blocks = [folder / table / f"{bucket}.parquet" for table in tables]
    return [b for b in blocks if not b.is_file() or state_of(b) is State.damaged]


def check_blocks(folder: Path, buckets: Iterable[str]) -> None:
    """Reject a sweep's blocks if any of a bucket's is not what was written.

    Raises
    ------
    DamageError
        Naming the bucket.
    """
    for bucket in buckets:
        if bucket_done(folder, bucket) is None:
            raise DamageError(
                f"{folder}: the results of bucket {bucket} are damaged or incomplete; run the "
                "sweep again: its accounts are assessed again"
            )


def mark_done(folder: Path, result: BucketResult) -> None:
    """Mark a bucket as finished: all its blocks are written."""
    blocks = sorted(p.parent.name for p in folder.glob(f"*/{result.bucket}.parquet"))
    said = {"counts": asdict(result), "blocks": blocks}
    write_text(folder / DONE / f"{result.bucket}.json", sealed_json(said))


def kept_prior(workspace: Workspace, record: SweepRecord) -> LearntPrior | None:
    """Priors learned by a sweep on the same inputs."""
    content = unsealed_json(_text_of(workspace.learnt) or "")
    if content is None or content.get("inputs") != inputs_key(record):
        return None  # if it is damaged, it is learned again
    steady = {name: SteadyPrior(**values) for name, values in content["steady"].items()}
    return LearntPrior(steady, content["accounts_seen"])


def keep_prior(workspace: Workspace, record: SweepRecord, learnt: LearntPrior) -> None:
    """Store it; JSON keeps every digit of a float."""
    content = {
        "inputs": inputs_key(record),
        "steady": {name: asdict(prior) for name, prior in learnt.steady.items()},
        "accounts_seen": learnt.accounts_seen,
    }
    write_text(workspace.learnt, sealed_json(content))


def _text_of(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8") if path.is_file() else None
    except (OSError, UnicodeDecodeError):
        return None
