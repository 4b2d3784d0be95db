"""Meters of one account that are on record as side by side: judged on their summed flow."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipelines.configuration.fleet import by_bucket
from pipelines.stages.profile.manifold import summed_flow
from pipelines.sweep.state import Sweep
from rightsize.demand.manifold_load import Manifold, manifold_findings
from rightsize.demand.reading_findings import finding_frame
from rightsize.meters.catalogue import Meter
from rightsize.recommend.rules.own_kind import UNRECORDED


def manifold_rows(sweep: Sweep) -> pl.DataFrame:
    """Meters side by side, judged together on their summed flow."""
    settings = sweep.fleet.settings
    groups = manifolds_of(sweep.inputs.service, settings.catalogue.meters)
    bucket_of = {
        meter_id: int(bucket)
        for bucket, meters in by_bucket(sweep.inputs.service, sweep.record.buckets).items()
        for meter_id in meters["meter_id"]
    }
    rows = [(g.account_id, g.name, m, bucket_of[m]) for g in groups for m in g.meter_id]
    names = ("account_id", "group", "meter_id")
    schema = {**dict.fromkeys(names, pl.String()), "bucket": pl.Int64()}
    members = pl.DataFrame(rows, schema=schema, orient="row")
    return finding_frame(
        manifold_findings(
            groups,
            summed_flow(sweep.workspace, members, timezone=sweep.loaded.settings.timezone),
            capacity_share=settings.thresholds.manifold_capacity_share,
            units=settings.units,
        )
    )


def manifolds_of(service: pl.DataFrame, meters: Sequence[Meter]) -> list[Manifold]:
    """Recorded groups of two meters and more whose capacities are all known."""
    is_recorded = ~pl.col("manifold").str.starts_with(UNRECORDED)
    named = service.filter(is_recorded).sort("meter_id")
    groups = []
    for (account, name), part in named.group_by("account_id", "manifold", maintain_order=True):
        if part.height < 2 or part["meter_index"].null_count():
            continue
        rated = [meters[k] for k in part["meter_index"]]
        groups.append(
            Manifold(
                name=str(name),
                account_id=str(account),
                meter_id=tuple(part["meter_id"]),
                smoc_gpm=tuple(m.smoc_gpm for m in rated),
                continuous_gpm=tuple(m.continuous_gpm for m in rated),
            )
        )
    return groups
