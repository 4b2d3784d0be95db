"""Evidence: one self-contained page per account, from the published results and the lake.

Nothing is changed: results are opened read-only and the lake's files are immutable. Accounts
are processed by bucket, so that each lake file is opened once for all of them.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipelines.configuration.load_settings import Loaded
from pipelines.configuration.meter_list import meters_of
from pipelines.pages.change_outs import account_change_outs
from pipelines.pages.evidence_reads import read_years
from pipelines.pages.page_render import Account, render_all
from pipelines.stages.profile.meter_reads import LakeFiles
from pipelines.stages.publish.newest import Key, Published, open_published
from pipelines.store.leftovers import own_name
from pipelines.store.private_files import page_salt
from pipelines.store.resources import sql_text
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Progress, worker_count
from rightsize.contracts.demand import FLOW_BAND, PROFILE
from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.contracts.results import BILL_IMPACT, CANDIDATE, FINDING, YEAR_MONEY
from rightsize.contracts.testing.test_program import METER_TEST_DUE, METER_TEST_OUTCOME
from rightsize.errors import ConfigError, RightsizeError
from rightsize.evidence.file_names import page_file
from rightsize.evidence.list_data import pages_index, pages_indexed
from rightsize.evidence.privacy import Shown, as_shown, code_of
from rightsize.evidence.site import Provenance, SiteEvidence, SourceFile
from rightsize.meters.catalogue import Meter

METERS_AT_ONCE: Final = 50
_TABLES: Final = (
    RECOMMENDATION,
    PROFILE,
    FLOW_BAND,
    CANDIDATE,
    FINDING,
    YEAR_MONEY,
    BILL_IMPACT,
    METER_TEST_OUTCOME,
    METER_TEST_DUE,
)


def write_site_pages(
    loaded: Loaded,
    accounts: Sequence[str],
    *,
    pdf: bool = False,
    folder: Path | None = None,
    shown: Shown | None = None,
    progress: Progress | None = None,
    workers: int | None = None,
    meters: pl.DataFrame | None = None,
) -> list[Path]:
    """Write a page for each account; returns the files in the order of the accounts.

    Parameters
    ----------
    pdf
        Also write a PDF of each page.
    folder
        Target folder; the fleet pages' folder of site pages if not given.
    shown
        What the pages say of the customer; as configured if not given. Pages with codes need
        a folder of their own.
    workers
        Number of processes; chosen by the number of pages if not given.
    meters
        The meter list, if it is loaded already.

    Raises
    ------
    ConfigError
        If nothing is published yet, or an account is not in the newest sweep; the text names
        the accounts. Nothing is written then.
    """
    wanted = list(dict.fromkeys(accounts))
    workspace = loaded.workspace
    shown = shown or ("names" if loaded.settings.names_on_pages else "accounts")
    if shown == "codes" and folder is None:
        raise ConfigError("pages with codes need a folder of their own: name it by --to")
    target = folder or site_folder(workspace)
    with open_published(workspace) as published:
        place = _meters_of(published, wanted)
        target.mkdir(parents=True, exist_ok=True)
        salt = page_salt(workspace.root) if shown == "codes" else b""
        work = _shown(_gathered(loaded, workspace, published, place, meters), shown, salt)
        render_all(work, target, total=len(wanted), pdf=pdf, workers=workers, progress=progress)
        if folder is None:
            made = {account: page_file(account) for account in wanted}
            index_pages(target, str(published.sweep["sweep_id"]), made)
            workspace.show_to_group(target)
    named = [code_of(a, salt) for a in wanted] if shown == "codes" else wanted
    return [target / page_file(account) for account in named]


def _shown(work: Iterable[Account], shown: Shown, salt: bytes) -> Iterator[Account]:
    """Accounts and their evidence with no more of the customer than is to be shown."""
    for account, sites in work:
        meters = tuple(as_shown(site, shown, salt) for site in sites)
        yield (code_of(account, salt) if shown == "codes" else account), meters


def site_folder(workspace: Workspace) -> Path:
    """Folder of site pages: next to the fleet pages that link to them, if there are any."""
    pages = workspace.published / "pages"
    return (pages.resolve() if pages.exists() else workspace.published) / "sites"


def index_pages(folder: Path, sweep_id: str, made: Mapping[str, str]) -> None:
    """Tell the fleet's list which accounts have a page in this folder, old ones included.

    Pages of an earlier sweep are left out: the list shows one sweep.
    """
    path = folder / "pages.js"
    known = pages_indexed(path.read_text(encoding="ascii")) if path.is_file() else None
    held = known[1] if known and known[0] == sweep_id else {}
    aside = path.with_name(f"{own_name('')}.part")
    aside.write_text(pages_index(sweep_id, {**held, **made}), encoding="ascii")
    aside.replace(path)


def _meters_of(
    published: Published, accounts: Sequence[str]
) -> dict[str, list[tuple[str, int]]]:
    found: dict[str, list[tuple[str, int]]] = {}
    rows = published.connection.execute(
        sql_text("85_evidence/account_meter"),
        {
            "sweep_id": published.sweep["sweep_id"],
            "accounts": list(accounts),
            "buckets": published.sweep["buckets"],
        },
    ).fetchall()
    for account_id, meter_id, bucket in rows:
        found.setdefault(account_id, []).append((meter_id, bucket))
    absent = [a for a in accounts if a not in found]
    if absent:
        more = f" and {len(absent) - 5} more" if len(absent) > 5 else ""
        raise ConfigError(
            f"account {', '.join(map(repr, absent[:5]))}{more}: not in the newest sweep "
            f"({published.sweep['sweep_id']}); `rightsize query` lists latest_recommendation"
        )
    return found


def _gathered(
    loaded: Loaded,
    workspace: Workspace,
    published: Published,
    place: Mapping[str, Sequence[tuple[str, int]]],
    meters: pl.DataFrame | None,
) -> Iterator[tuple[str, tuple[SiteEvidence, ...]]]:
    """Accounts with their evidence, some at a time, those of one bucket together."""
    listed, has_changed = listed_rows(loaded, published, list(place), meters)
    lake = LakeFiles(workspace)
    files = _landed_files(published)
    order = sorted(place, key=lambda account: (place[account][0][1], account))
    for start in range(0, len(order), METERS_AT_ONCE):
        block = order[start : start + METERS_AT_ONCE]
        years, sources = _reads(
            workspace, published, lake, [m for a in block for m in place[a]]
        )
        rows = {table.name: published.rows(table, block) for table in _TABLES}
        change_outs = account_change_outs(published.connection, block)
        provenance = provenance_of(published, has_changed)
        for account in block:
            yield (
                account,
                tuple(
                    _evidence(
                        published,
                        provenance,
                        rows,
                        (account, meter_id),
                        year=years.get(meter_id),
                        files=_files(sources.get(meter_id, ()), files),
                        listed=listed.get((account, meter_id), {}),
                        change_outs=change_outs.get(account, ()),
                    )
                    for meter_id, _ in place[account]
                ),
            )


def _reads(
    workspace: Workspace,
    published: Published,
    lake: LakeFiles,
    meters: Sequence[tuple[str, int]],
) -> tuple[dict[str, Any], dict[str, Any]]:
    by_bucket: dict[int, list[str]] = defaultdict(list)
    for meter_id, bucket in meters:
        by_bucket[bucket].append(meter_id)
    zone = published.sweep["timezone"]

    def read(place: tuple[int, list[str]]) -> tuple[dict[str, Any], dict[str, Any]]:
        bucket, meter_ids = place
        with lake.of(bucket) as files:
            return read_years(workspace.scratch, files, meter_ids, timezone=zone)

    years: dict[str, Any] = {}
    sources: dict[str, Any] = {}
    with ThreadPoolExecutor(max_workers=worker_count(None)) as pool:
        for found, rows in pool.map(read, by_bucket.items()):
            years |= found
            sources |= rows
    return years, sources


def _evidence(
    published: Published,
    provenance: Provenance,
    rows: Mapping[str, dict[Key, list[dict[str, Any]]]],
    key: Key,
    *,
    year: Any,
    files: tuple[SourceFile, ...],
    listed: Mapping[str, Any],
    change_outs: tuple[Mapping[str, Any], ...],
) -> SiteEvidence:
    account_id, _ = key
    row = rows["recommendation"][key][0]
    profile = rows["profile"].get(key)
    return SiteEvidence(
        recommendation=row,
        provenance=provenance,
        units=published.sweep["units"],
        profile=profile[0] if profile else None,
        bands=tuple(rows["flow_band"].get(key, ())),
        candidates=tuple(rows["candidate"].get(key, ())),
        findings=(
            *rows["finding"].get(key, ()),
            *rows["finding"].get((account_id, ""), ()),
        ),
        year_money=tuple(rows["year_money"].get(key, ())),
        bill_impact=next(iter(rows["bill_impact"].get(key, ())), None),
        installed=catalog_meter(published, row, "installed"),
        recommended=catalog_meter(published, row, "recommended"),
        runner_up=catalog_meter(published, row, "runner_up"),
        year=year,
        files=files,
        listed=listed,
        thresholds=published.thresholds,
        change_outs=change_outs,
        test_outcome=next(iter(rows["meter_test_outcome"].get(key, ())), None),
        test_due=next(iter(rows["meter_test_due"].get(key, ())), None),
    )


def catalog_meter(published: Published, row: Mapping[str, Any], who: str) -> Meter | None:
    """The catalog meter of a row: `installed`, `recommended`, `runner_up`; None if unknown."""
    kind, size_in, grade = (row.get(f"{who}_{n}") for n in ("type", "size_in", "grade"))
    if kind is None or size_in is None:
        return None
    for meter in published.catalogue:
        is_size = abs(meter.size_in - size_in) < 1e-6
        if meter.meter_type == kind and is_size and grade in (None, meter.grade):
            return meter
    return None


def listed_rows(
    loaded: Loaded,
    published: Published,
    accounts: Sequence[str],
    meters: pl.DataFrame | None = None,
) -> tuple[dict[Key, dict[str, Any]], bool]:
    """The accounts' meters as listed, and whether the list changed since the sweep.

    If the list can no longer be read, the page only lacks what comes from the list.
    """
    path = loaded.file(loaded.settings.meters)
    try:
        frame = meters_of(loaded).frame if meters is None else meters
        digest = hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    except (RightsizeError, OSError):
        return {}, True
    wanted = pl.col("account_id").is_in(list(accounts))
    current = frame.filter(wanted, pl.col("removed_on").is_null())
    rows = {(row["account_id"], row["meter_id"]): row for row in current.to_dicts()}
    return rows, digest != published.sweep["meters_hash"]


def _landed_files(published: Published) -> dict[str, tuple[str, str]]:
    rows = published.connection.execute(
        "select file_hash, export_name, path from results.landed_file"
    ).fetchall()
    return {h: (source or "export", Path(path or h).name) for h, source, path in rows}


def _files(
    rows: Sequence[Mapping[str, Any]], landed: Mapping[str, tuple[str, str]]
) -> tuple[SourceFile, ...]:
    found = []
    for row in rows:
        export, name = landed.get(row["file_hash"], ("export", row["file_hash"]))
        found.append(
            SourceFile(
                export=export,
                name=name,
                file_hash=row["file_hash"],
                read_count=row["read_count"],
                superseded_count=row["superseded_count"],
            )
        )
    return tuple(sorted(found, key=lambda f: (f.export, f.name)))


def provenance_of(published: Published, has_changed: bool) -> Provenance:
    """Which sweep a page shows, and what it rested on."""
    sweep = published.sweep
    return Provenance(
        utility=sweep["utility"],
        sweep_id=sweep["sweep_id"],
        made_at=sweep["finished_at"],
        code_version=sweep["code_version"],
        config_hash=sweep["config_hash"],
        catalogue_hash=sweep["catalogue_hash"],
        meters_hash=sweep["meters_hash"],
        lake_hash=sweep["lake_hash"],
        timezone=sweep["timezone"],
        has_meter_list_changed=has_changed,
    )
