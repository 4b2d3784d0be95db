"""Results of buckets that rest on the same inputs as before, used again by a later sweep.

Result blocks are in `assess/<sweep>/`, beside a marker for each finished bucket that holds a
key of all inputs of its assessment: names of its profiles, its rows of the meter list, all that
accounts are judged by, priors learned from the fleet, code and libraries. They stay there after
publication. A later sweep takes over the newest folder under its own name, removes what has
another key and assesses those buckets, so that its results are those of a sweep from the start,
to the last digit. A bucket is the smallest part that is used again: within one, matrix products
run over all its accounts, and their last digits hang on which these are. Priors learned from
the fleet are kept the same way. A marker names the bucket's blocks: one that is damaged or
missing has its bucket assessed again. Findings on reads are no part of this: they are written
anew each time.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

from pipelines.configuration.judged_by import JudgedBy, UsedLogs
from pipelines.stages.assess.assess import BucketResult
from pipelines.stages.assess.bucket_task import BucketTask
from pipelines.stages.assess.log_effect import logs_of
from pipelines.store.checksum import State, sealed_json, state_of, unsealed_json
from pipelines.store.storage import write_text
from pipelines.store.workspace import Workspace
from pipelines.sweep.input_digest import digest_of
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
_PRIOR_REST: Final = (
    "accounts_seen",
    "middle_use_gpm",
    "size_power",
    "odds_power",
)  # beside steady
_LEARNED: Final = ("gain_correction", "leak_repair")
"""Documents learned from history, which no hash of the inputs holds."""


def inputs_key(record: SweepRecord) -> str:
    """One key for all inputs of a sweep's results."""
    parts = [str(getattr(record, name)) for name in _INPUTS]
    held = (record.documents[name] for name in _LEARNED if name in record.documents)
    parts.extend(json.dumps(document, sort_keys=True) for document in held)
    return digest_of(parts, _libraries())


def prior_key(record: SweepRecord, judged_by: JudgedBy, tasks: Sequence[BucketTask]) -> str:
    """One key for all inputs of the priors that are learned from the fleet."""
    places = [[_named(f) for f in task.decided_folders] for task in tasks]
    service = [task.service for task in tasks]
    return digest_of(record.code_version, _libraries(), judged_by, places, service)


def bucket_keys(
    record: SweepRecord,
    judged_by: JudgedBy,
    learnt: LearntPrior,
    tasks: Sequence[BucketTask],
) -> dict[str, str]:
    """One key a bucket for all inputs of its assessment; of flow logs, those of its meters."""
    logs = judged_by.logs
    for_all = digest_of(
        record.code_version, _libraries(), replace(judged_by, logs=UsedLogs()), learnt
    )
    return {
        task.bucket: digest_of(
            for_all,
            [_named(folder) for folder in task.decided_folders],
            task.service,
            logs_of(logs, task.service["meter_id"].to_list()),
            {m: logs.shown[m] for m in task.service["meter_id"] if m in logs.shown},
        )
        for task in tasks
    }


@cache
def _libraries() -> tuple[str, ...]:
    """What computes: another version may give other last digits."""
    return tuple(f"{name} {version(name)}" for name in ("numpy", "scipy", "polars", "duckdb"))


def _named(folder: Path) -> str:
    """A profile's folder by month, bucket and fingerprint, wherever the workspace lies."""
    return "/".join(folder.parts[-3:])


def take_over(
    workspace: Workspace,
    record: SweepRecord,
    keys: Mapping[str, str],
    *,
    fresh: bool = False,
) -> Path:
    """The sweep's folder of blocks, with those of the sweep before that still hold.

    Parameters
    ----------
    keys
        The key of each bucket's inputs.
    """
    target = workspace.assess / record.sweep_id
    workspace.assess.mkdir(parents=True, exist_ok=True)
    for left in sorted(workspace.assess.iterdir(), reverse=True):
        if left == target:
            continue  # a retried stage continues in its own folder
        if not fresh and not target.exists() and (left / DONE).is_dir():
            left.rename(target)
        else:
            shutil.rmtree(left, ignore_errors=True)
    target.mkdir(exist_ok=True)
    holds = {bucket for bucket, key in keys.items() if _key_held(target, bucket) == key}
    for file in target.glob("*/*"):
        if file.stem not in holds:
            file.unlink()
    return target


def _key_held(folder: Path, bucket: str) -> str | None:
    said = unsealed_json(_text_of(folder / DONE / f"{bucket}.json") or "")
    return None if said is None else said.get("key")


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


def mark_done(folder: Path, result: BucketResult, key: str) -> None:
    """Mark a bucket as finished on the inputs of this key: all its blocks are written."""
    blocks = sorted(p.parent.name for p in folder.glob(f"*/{result.bucket}.parquet"))
    said = {"counts": asdict(result), "blocks": blocks, "key": key}
    write_text(folder / DONE / f"{result.bucket}.json", sealed_json(said))


def kept_prior(workspace: Workspace, key: str) -> LearntPrior | None:
    """Priors learned by a sweep on the inputs of this key."""
    content = unsealed_json(_text_of(workspace.learnt) or "")
    if content is None or content.get("inputs") != key:
        return None  # if it is damaged, it is learned again
    steady = {name: SteadyPrior(**values) for name, values in content["steady"].items()}
    rest = {name: content[name] for name in _PRIOR_REST}
    return LearntPrior(steady, **rest)


def keep_prior(workspace: Workspace, key: str, learnt: LearntPrior) -> None:
    """Store it; JSON keeps every digit of a float."""
    content = {
        "inputs": key,
        "steady": {name: asdict(prior) for name, prior in learnt.steady.items()},
        **{name: getattr(learnt, name) for name in _PRIOR_REST},
    }
    write_text(workspace.learnt, sealed_json(content))


def _text_of(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8") if path.is_file() else None
    except (OSError, UnicodeDecodeError):
        return None
