"""Lake files of one export file: written, counted, moved into place, or removed again.

Until the ledger has the file's row, none of it counts: the folder `landing/<hash>` marks a
file in progress, and `sweep_up` removes what a crash left, also in an object store.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Final

import duckdb

from pipelines.sources.staged import Kind
from pipelines.stages.land.repeated_reads import repeated_count
from pipelines.store import ledger
from pipelines.store.checksum import PROMISED, seal
from pipelines.store.lake_partition import LAKE_FOLDERS, LakePartition
from pipelines.store.ledger import LandedPart
from pipelines.store.resources import sql_text
from pipelines.store.storage import DiskStorage
from pipelines.store.warehouse import literals, quoted, run_sql, set_variables
from pipelines.store.workspace import Workspace

_FULL_GROUP: Final = 122_880
_LEAST_GROUP: Final = 8_192
_OPEN_PARTS: Final = 64  # with this many open at once, their row groups fit into memory
_MOST_OPEN: Final = 8_192
_FLUSH_ROWS: Final = 50_000  # rows a thread buffers before writing to the partitions


def write_parts(
    connection: duckdb.DuckDBPyConnection,
    aside: Path,
    kind: Kind,
    *,
    file_hash: str,
    months: int,
    bucket_count: int,
) -> list[LandedPart]:
    """Write the accepted reads, one file per month and bucket, and count what was written.

    Creates `accepted_read`, the reads as stored on disk.
    """
    _copy(connection, aside / "written", kind, months * bucket_count)
    places = _place(aside, kind, file_hash, bucket_count)
    set_variables(connection, {"part_files": literals(sorted(places))})
    run_sql(connection, f"10_land/{kind if places else 'none'}_accepted")
    for relation in ("landed_part_day", "landed_part"):
        run_sql(connection, f"10_land/{relation}")
    repeated = {name: repeated_count(Path(name), kind) for name in places}
    parts = [
        LandedPart(file_hash, kind, *places[name], rows, gal, minutes, repeated[name])
        for name, rows, gal, minutes in connection.execute(
            "select filename, rows_accepted, amount_gal, covered_min from landed_part"
        ).fetchall()
    ]
    return sorted(parts, key=lambda p: (p.month, p.bucket))


def _copy(
    connection: duckdb.DuckDBPyConnection, folder: Path, kind: Kind, partitions: int
) -> None:
    """One pass over the reads; row groups shrink where many partitions are open at once."""
    group = min(max(_FULL_GROUP * _OPEN_PARTS // partitions, _LEAST_GROUP), _FULL_GROUP)
    connection.execute(f"set partitioned_write_max_open_files = {_MOST_OPEN}")
    connection.execute(f"set partitioned_write_flush_threshold = {_FLUSH_ROWS}")
    body = sql_text(f"10_land/{kind}_lake").rstrip().rstrip(";")
    connection.execute(
        f"copy ({body}\n) to {quoted(folder)} (format parquet, partition_by (part), "
        f"parquet_version v2, compression lz4_raw, row_group_size {group}, {PROMISED})"
    )


def _place(
    aside: Path, kind: Kind, file_hash: str, bucket_count: int
) -> dict[str, tuple[str, int]]:
    """Final place in the lake of each written file, by path."""
    places: dict[str, tuple[str, int]] = {}
    for folder in sorted((aside / "written").glob("part=*")):
        months, bucket = divmod(int(folder.name.removeprefix("part=")), bucket_count)
        month = f"{months // 12:04d}-{months % 12 + 1:02d}"
        (written,) = folder.iterdir()
        seal(written)
        target = aside / LakePartition(kind, month, bucket).path / f"{file_hash}.parquet"
        DiskStorage().put_files({target: written})
        places[str(target)] = (month, bucket)
    return places


def move_in(aside: Path, workspace: Workspace) -> None:
    """Move the files of a finished landing to their places; each move is atomic."""
    made = sorted(aside.glob(f"{LAKE_FOLDERS}/*.parquet"))
    workspace.storage.put_files({workspace.lake / p.relative_to(aside): p for p in made})
    refused = sorted((aside / "rejected").glob("*.parquet"))
    DiskStorage().put_files({workspace.rejected / path.name: path for path in refused})


def take_out(file_hash: str, workspace: Workspace) -> None:
    """Remove every lake file and the rejected rows of a landed file.

    Raises
    ------
    ValueError
        If the name is not that of a landed file: as a glob it could match other files.
    """
    if not _is_landing(file_hash):
        raise ValueError(f"{file_hash!r} is not the name of a landed file")
    storage = workspace.storage
    storage.drop_files(storage.files(workspace.lake, f"{LAKE_FOLDERS}/{file_hash}.parquet"))
    (workspace.rejected / f"{file_hash}.parquet").unlink(missing_ok=True)


def landing_folder(workspace: Workspace) -> Path:
    """Folder of files in progress."""
    return workspace.root / "landing"


def sweep_up(connection: duckdb.DuckDBPyConnection, workspace: Workspace) -> None:
    """Remove what an interrupted run left: a partly loaded file never counts."""
    folder = landing_folder(workspace)
    if not folder.is_dir():
        return
    entered = ledger.landed_hashes(connection)
    for aside in sorted(folder.iterdir()):
        for stale in _named_in(aside):
            if stale not in entered:
                take_out(stale, workspace)
        shutil.rmtree(aside, ignore_errors=True)


def _named_in(aside: Path) -> list[str]:
    """The file in progress and the one it was to replace; other names are ignored."""
    marker = aside / "replaces"
    said = [aside.name]
    if marker.is_file():
        said.append(marker.read_text(encoding="ascii", errors="replace").strip())
    return [name for name in said if _is_landing(name)]


def _is_landing(name: str) -> bool:
    return re.fullmatch(r"[0-9a-f]+", name) is not None
