"""Fleet pages: the sweep at a glance, as plain files beside the results.

```
published/
  pages -> pages-versions/<sweep>-<random>     the link is what readers open
  pages-versions/<sweep>-<random>/index.html list.html changes.html outcome.html quality.html
                                  words.html
                                  data/*.js    the list, part by part
                                  sites/       site pages of this sweep, and their index
```
They are built separately and shown by replacing a link, so a reader sees one sweep or the
other, complete. The previous folder of pages stays until the next sweep, for readers with one
of its pages open.
"""

from __future__ import annotations

import shutil
import uuid
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipelines.configuration.load_settings import Loaded
from pipelines.pages.change_outs import change_outs_of
from pipelines.pages.drawn_before import drawn_before
from pipelines.pages.evidence import index_pages, write_site_pages
from pipelines.stages.publish.newest import open_published
from pipelines.stages.publish.shown import keep_two, show
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import work_database
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Progress
from pipelines.work.code_version import pages_version
from rightsize.evidence.file_names import page_file
from rightsize.evidence.fleet import FleetEvidence
from rightsize.evidence.fleet_page import fleet_pages
from rightsize.evidence.list_data import list_parts
from rightsize.units.column_units import metric_text

MOVED_SHOWN: Final = 500
ACCOUNTS_SHOWN: Final = 300
VERSION_FILE: Final = "drawn-by.txt"
_ASIDE: Final = ".aside-"


def write_fleet_pages(
    workspace: Workspace,
    sweep_id: str | None = None,
    *,
    loaded: Loaded | None = None,
    site_pages: int = 0,
    meters: pl.DataFrame | None = None,
    progress: Progress | None = None,
) -> Path:
    """Put the pages of the newest sweep in place; returns the summary's path.

    Parameters
    ----------
    sweep_id
        The sweep that must be the newest published one.
    loaded, site_pages
        With a configuration, site pages of so many of the best change-outs come along; others
        are made when asked for.
    meters
        The meter list, if it is loaded already.

    Raises
    ------
    ConfigError
        If nothing is published.
    ValueError
        If the newest sweep is not `sweep_id`.
    """
    if progress:
        progress("pages", 0, 1)
    with open_published(workspace) as published:
        fleet = _gathered(published.connection, workspace, str(published.sweep["units"]))
    has_names = loaded is None or loaded.settings.names_on_pages
    if not has_names:
        fleet = replace(fleet, meters=fleet.meters.with_columns(customer_name=pl.lit("")))
    if sweep_id is not None and fleet.sweep["sweep_id"] != sweep_id:
        raise ValueError(f"newest sweep is {fleet.sweep['sweep_id']}, not {sweep_id}")
    versions = workspace.published / "pages-versions"
    versions.mkdir(parents=True, exist_ok=True)
    for stale in versions.glob(f"{_ASIDE}*"):
        shutil.rmtree(stale, ignore_errors=True)
    aside = versions / f"{_ASIDE}{uuid.uuid4().hex}"
    try:
        with drawn_before(workspace):
            _fill(aside, fleet, loaded, site_pages, meters)
        workspace.show_to_group(aside)
        folder = versions / f"{fleet.sweep['sweep_id']}-{uuid.uuid4().hex[:8]}"
        aside.rename(folder)
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    keep_two(folder, show(workspace.published / "pages", folder))
    if progress:
        progress("pages", 1, 1)
    return workspace.published / "pages" / "index.html"


def drawn_by(has_names: bool) -> str:
    """What pages were drawn by: the code, and whether with names."""
    return pages_version() + ("" if has_names else " without names")


def _fill(
    aside: Path,
    fleet: FleetEvidence,
    loaded: Loaded | None,
    site_pages: int,
    meters: pl.DataFrame | None,
) -> None:
    """Site pages on a thread of their own: the drawing library lets others work meanwhile."""
    (aside / "data").mkdir(parents=True)
    has_names = loaded is None or loaded.settings.names_on_pages
    (aside / VERSION_FILE).write_text(drawn_by(has_names), encoding="ascii")
    (aside / "sites").mkdir()
    made: dict[str, str] = {}
    with ThreadPoolExecutor(max_workers=1) as beside:
        drawing = None
        best = fleet.meters.filter(pl.col("action") == "change")["account_id"].unique(
            maintain_order=True
        )
        if loaded is not None and site_pages and best.len():
            accounts = best.head(site_pages).to_list()
            made = {account: page_file(account) for account in accounts}
            draw = partial(write_site_pages, folder=aside / "sites", meters=meters)
            drawing = beside.submit(copy_context().run, draw, loaded, accounts)
        for name, content in list_parts(fleet):
            (aside / "data" / name).write_text(content, encoding="ascii")
        for name, page in fleet_pages(fleet, made):
            (aside / name).write_bytes(page.encode("utf-8", "replace"))
        if drawing is not None:
            drawing.result()
    index_pages(aside / "sites", str(fleet.sweep["sweep_id"]), made)


def _gathered(
    connection: duckdb.DuckDBPyConnection, workspace: Workspace, units: str
) -> FleetEvidence:
    def frame(relation: str, **parameters: object) -> pl.DataFrame:
        statement = sql_text(relation)
        query = statement if units == "us" else metric_text(statement)
        found: pl.DataFrame = connection.sql(query, params=parameters or None).pl()
        return found

    def rows(relation: str, **parameters: object) -> tuple[dict[str, Any], ...]:
        return tuple(frame(relation, **parameters).to_dicts())

    return FleetEvidence(
        sweeps=rows("85_evidence/sweep_line"),
        meters=frame("85_evidence/listed_meter"),
        totals=rows("85_evidence/total_line"),
        classes=rows("85_evidence/class_line"),
        verdicts=rows("80_summary/verdict_count"),
        moved=rows("85_evidence/moved_meter", shown=MOVED_SHOWN),
        refusals=rows("85_evidence/refusal_line", shown=ACCOUNTS_SHOWN),
        coverage=rows("85_evidence/coverage_line"),
        expectations=_expectations(workspace),
        change_outs=change_outs_of(connection, rows),
    )


def _expectations(workspace: Workspace) -> tuple[dict[str, Any], ...]:
    """The newest outcomes of validation; none where no ledger holds any."""
    if not workspace.database.is_file():
        return ()
    with work_database(workspace) as work:
        try:
            frame = work.sql(sql_text("85_evidence/expectation_line")).pl()
        except duckdb.CatalogException:
            return ()
    return tuple(frame.to_dicts())
