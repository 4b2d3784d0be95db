"""What is noted beside the published database: its checksum, and what its rows rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from pipelines.stages.publish.same_rows import RestsOn
from pipelines.store.checksum import digest_of, sealed_json, unsealed_json
from pipelines.store.storage import write_text

CHECKSUMS: Final = "checksums.json"


def note_checksums(
    published: Path, digests: Sequence[str], rows: Mapping[str, RestsOn]
) -> None:
    """Note what `results.duckdb` may be: the one in place, and the one that takes its place.

    `rows` says by sweep what its rows of large tables rest on.
    """
    said = {"results.duckdb": list(digests), "rows": {s: dict(r) for s, r in rows.items()}}
    write_text(published / CHECKSUMS, sealed_json(said))


def noted_checksums(published: Path) -> list[str]:
    """The noted checksums; none from a version that noted none, or of a damaged note."""
    return list(_noted(published).get("results.duckdb", ()))


def noted_rows(published: Path) -> dict[str, RestsOn]:
    """What the rows of large tables rest on, by sweep, as far as it is noted."""
    return dict(_noted(published).get("rows", {}))


def _noted(published: Path) -> dict[str, Any]:
    try:
        said = unsealed_json((published / CHECKSUMS).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError):
        return {}
    return said or {}


def is_as_published(results: Path, copy: Path | None = None) -> bool:
    """Whether the published database, or a copy of it, is the very file that was published.

    One that is not may still be whole: another program may have written to it.
    """
    noted = noted_checksums(results.parent)
    return bool(noted) and digest_of(copy or results) in noted
