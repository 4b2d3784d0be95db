"""The newest published sweep, in US units, for pages."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import duckdb

from pipelines.stages.publish.contract_sql import select_list
from pipelines.stages.publish.history import open_held
from pipelines.store.resources import sql_text
from pipelines.store.workspace import Workspace
from rightsize.contracts.table import Table
from rightsize.errors import ConfigError
from rightsize.meters.catalogue import CompoundParts, Meter

Key = tuple[str, str]


@dataclass(frozen=True)
class Published:
    """The newest sweep of the published results, opened once for many pages."""

    connection: duckdb.DuckDBPyConnection
    sweep: Mapping[str, Any]
    catalogue: tuple[Meter, ...]
    thresholds: Mapping[str, Any]

    def rows(self, table: Table, accounts: Sequence[str]) -> dict[Key, list[dict[str, Any]]]:
        """Rows of these accounts in US units, by account and meter."""
        source = self.sweep["units"]
        held = table if source == "us" else table.metric()
        values = select_list(table.columns, held.column_names, source=source, target="us")
        frame = self.connection.sql(
            f"select {values} from results.{table.name}"
            " where sweep_id = $sweep_id and account_id in (select unnest($accounts))"
            f" order by {', '.join(held.key)}",
            params={"sweep_id": self.sweep["sweep_id"], "accounts": list(accounts)},
        ).pl()
        found: dict[Key, list[dict[str, Any]]] = defaultdict(list)
        for row in frame.to_dicts():
            found[row["account_id"], row["meter_id"] or ""].append(row)
        return found


@contextmanager
def open_published(workspace: Workspace) -> Iterator[Published]:
    """The published results, opened read-only; a sweep may replace them meanwhile.

    Raises
    ------
    ConfigError
        If there are none.
    DamageError
        If they cannot be read.
    """
    if not workspace.results.is_file():
        raise ConfigError(f"{workspace.results}: no results yet; run `rightsize sweep` first")
    with open_held(workspace.results) as connection:
        connection.execute("set TimeZone = 'UTC'")
        yield _newest(connection, workspace)


def _newest(connection: duckdb.DuckDBPyConnection, workspace: Workspace) -> Published:
    cursor = connection.execute(sql_text("85_evidence/latest_sweep"))
    names = [d[0] for d in cursor.description or ()]
    row = cursor.fetchone()
    if row is None:
        raise ConfigError(f"{workspace.results}: no sweep in it; run `rightsize sweep` first")
    sweep = dict(zip(names, row, strict=True))
    documents = dict(
        connection.execute(
            "select document, content from results.sweep_document where sweep_id = $sweep_id",
            {"sweep_id": sweep["sweep_id"]},
        ).fetchall()
    )
    catalogue = tuple(meter_from(m) for m in json.loads(documents.get("catalogue", "[]")))
    return Published(
        connection, sweep, catalogue, json.loads(documents.get("thresholds", "{}"))
    )


def meter_from(content: Mapping[str, Any]) -> Meter:
    """A meter of the catalog document; fields added by a later version are ignored."""
    known = {k: v for k, v in content.items() if k in Meter.__dataclass_fields__}
    parts = known.get("compound")
    if parts:
        held: dict[str, Any] = {
            k: _points(v) if k in ("low", "high") else v for k, v in parts.items()
        }
        known["compound"] = CompoundParts(**held)
    known["registration"] = _points(known["registration"])
    for name in ("low_limits", "normal_limits"):
        if name in known:
            known[name] = tuple(known[name])
    return Meter(**known)


def _points(pairs: Sequence[Sequence[float]]) -> tuple[tuple[float, float], ...]:
    return tuple((float(q), float(a)) for q, a in pairs)
