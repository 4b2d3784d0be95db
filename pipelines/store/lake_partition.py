"""One month and bucket of meters: paths of its reads in the lake and of its profile.

A meter's bucket is a hash of its name modulo the number of buckets, so that all reads of a
meter are in one bucket. SQL statements take the month from a file's path by the same names.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

PartitionKind = Literal["interval", "register", "profile"]

PARTITION_FOLDERS: Final = "month=*/bucket=*"
"""Matches every partition below `interval_read`, `register_read` or `profile`."""
LAKE_FOLDERS: Final = f"*_read/{PARTITION_FOLDERS}"
"""Matches every partition of reads below the lake."""
BUCKET_FOLDERS: Final = "bucket=*"
MONTH_IN_PATH: Final = r".*/month=(\d{4}-\d{2})/"
"""Regular expression that finds a partition's month in a path."""

_KIND_OF: Final[dict[str, PartitionKind]] = {
    "interval_read": "interval",
    "register_read": "register",
    "profile": "profile",
}
_FOLDER_OF: Final = {kind: folder for folder, kind in _KIND_OF.items()}


@dataclass(frozen=True, order=True)
class LakePartition:
    """One month and bucket of interval reads, of register reads, or of profiles."""

    kind: PartitionKind
    month: str  # 2025-01
    bucket: int

    @property
    def name(self) -> str:
        """Folder below those of its kind, `month=2025-01/bucket=03`."""
        return f"{month_folder(self.month)}/{bucket_folder(bucket_name(self.bucket))}"

    @property
    def path(self) -> Path:
        """Folder with that of its kind, `interval_read/month=2025-01/bucket=03`."""
        return Path(_FOLDER_OF[self.kind]) / self.name

    def of_kind(self, kind: PartitionKind) -> LakePartition:
        """The same month and bucket of another kind."""
        return replace(self, kind=kind)

    @classmethod
    def parse(cls, path: Path) -> LakePartition:
        """The partition that a file or folder belongs to.

        Raises
        ------
        ValueError
            If no part of the path names a partition.
        """
        parts = path.parts
        for kind, month, bucket in zip(parts, parts[1:], parts[2:], strict=False):
            if kind in _KIND_OF and month.startswith("month=") and bucket.startswith("bucket="):
                return cls(
                    _KIND_OF[kind], month.removeprefix("month="), int(bucket_of(Path(bucket)))
                )
        raise ValueError(f"{path}: not in a partition of the lake or the profiles")


def month_folder(month: str) -> str:
    """Folder of a month, `month=2025-01`."""
    return f"month={month}"


def bucket_name(bucket: int) -> str:
    """A bucket's number as folders and files are named by it, `03`."""
    return f"{bucket:02d}"


def bucket_folder(name: str) -> str:
    """Folder of a bucket, `bucket=03`."""
    return f"bucket={name}"


def bucket_of(folder: Path) -> str:
    """Name of the bucket whose folder that is."""
    return folder.name.removeprefix("bucket=")


def bucket_files(bucket: int) -> str:
    """Matches the Parquet files of a bucket in every month."""
    return f"month=*/{bucket_folder(bucket_name(bucket))}/*.parquet"
