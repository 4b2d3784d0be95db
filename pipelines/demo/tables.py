"""The files next to the exports: settings, the meter list, and the truth."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from pipelines.demo.account import Account, MeterRows, Served, World
from pipelines.demo.changed.changed_account import ChangedAccount
from pipelines.demo.exports import Written
from pipelines.demo.fleet import CLASS_CODE, UTILITY
from pipelines.demo.services import UNIT

MARK: Final = "truth/demo.json"
_HERE: Final = Path(__file__).resolve().parent / "templates"


def write_settings(folder: Path) -> None:
    """sweep.yaml, tariff.yaml, thresholds.yaml and the demo's own README."""
    codes = "\n".join(f"  {code}: {name}" for name, code in CLASS_CODE.items())
    for name in ("sweep.yaml", "tariff.yaml", "thresholds.yaml", "README.md"):
        text = (_HERE / name).read_text(encoding="utf-8")
        text = text.replace("{utility}", UTILITY).replace("{class_codes}", codes)
        (folder / name).write_text(text, encoding="utf-8")


def write_tables(
    folder: Path,
    accounts: list[Account],
    changed: list[ChangedAccount],
    world: World,
    written: list[Written],
) -> None:
    """meters.csv and everything under truth/."""
    listed = [a for a in accounts if a.plan.trouble != "unlisted"]
    write_meters(folder, [*listed, *changed], world)
    truth = folder / "truth"
    if changed:
        pl.DataFrame([_changed_row(a) for a in changed]).write_csv(truth / "change_outs.csv")
    pl.DataFrame([_truth_row(a) for a in accounts], infer_schema_length=None).write_csv(
        truth / "accounts.csv"
    )
    pl.concat([_candidate_rows(a) for a in accounts]).write_csv(
        truth / "candidates.csv", float_precision=3
    )
    pl.DataFrame(
        [row for a in accounts for row in _planted_rows(a, world)],
        schema=["account_id", "meter_id", "code", "from_on", "flow_gpm"],
        orient="row",
        infer_schema_length=None,
    ).write_csv(truth / "planted.csv")
    pl.DataFrame([vars(w) for w in written]).write_csv(truth / "files.csv")
    pl.DataFrame(
        [_meter_truth(a, m) for a in (*accounts, *changed) for m in a.meters]
    ).write_csv(truth / "meters.csv")
    months = int(world.calendar.month[-1]) + 1
    write_mark(folder, {"seed": world.seed, "accounts": len(accounts), "months": months})


def write_meters(folder: Path, accounts: Sequence[Served], world: World) -> None:
    """The meter list."""
    rows = [row for a in accounts for row in _meter_rows(a, world)]
    pl.DataFrame(rows, infer_schema_length=None).write_csv(folder / "meters.csv")


def write_mark(folder: Path, facts: dict[str, int]) -> None:
    """What marks a folder as a demo, which a later demo may replace."""
    text = json.dumps(facts, indent=1) + "\n"
    (folder / MARK).write_text(text, encoding="utf-8")


def _meter_rows(account: Served, world: World) -> Iterator[dict[str, Any]]:
    plan = account.plan
    for part in account.meters:
        service = part.service
        yield {
            "account_id": plan.account_id,
            "meter_id": service.meter_id,
            "meter_type": service.meter.meter_type,
            "size_in": f"{service.meter.size_in:g}",
            "installed_on": world.calendar.date_of(service.from_s) if service.from_s else None,
            "removed_on": world.calendar.date_of(service.to_s) if service.to_s else None,
            "customer_class": plan.class_code,
            "service_kind": plan.service_kind,
            "fire_arrangement": plan.fire_arrangement,
            "resolution": f"{service.step:g}",
            "resolution_unit": UNIT[plan.channel],
            "multiplier": service.multiplier,
            "service_line_in": account.limits.service_line_in,
            "spare_head_psi": account.limits.spare_head_psi,
            "upsize_evidence": _upsize_evidence(account),
            **_site_facts(account),
            "area": plan.area,
            "customer_name": plan.customer,
            "service_address": plan.address,
        }


def _site_facts(account: Served) -> dict[str, str | None]:
    """What is on record of most places: all but one in eight are not in the street."""
    if not account.plan.has_site_facts:
        return {"in_street": None, "has_strainer": None}
    kind = account.meters[-1].service.meter.meter_type
    has_strainer = "yes" if kind in ("turbine", "compound") else "no"
    return {"in_street": "no", "has_strainer": has_strainer}


def _changed_row(account: ChangedAccount) -> dict[str, Any]:
    old, new = (part.service for part in account.meters)
    return {
        "account_id": account.plan.account_id,
        "removed_meter_id": old.meter_id,
        "meter_id": new.meter_id,
        "changed_on": account.changed_on,
        "outcome": account.change_out.outcome,
        "true_gain_pct": round(100 * account.true_gain_share, 2),
    }


def _upsize_evidence(account: Served) -> str | None:
    """What is on record of two in three meters that are truly too small."""
    if not isinstance(account, Account) or account.truth.verdict != "undersized":
        return None
    return ("complaint", "pressure_record", None)[account.plan.index % 3]


def _truth_row(account: Account) -> dict[str, Any]:
    plan, truth, now = account.plan, account.truth, account.meters[-1].service
    meters, at, best = truth.meters, truth.installed, truth.best
    return {
        "account_id": plan.account_id,
        "meter_id": now.meter_id,
        "kind": plan.kind,
        "customer_class": plan.customer_class,
        "what": account.what,
        "channel": plan.channel,
        "trouble": plan.trouble,
        "intent": plan.intent,
        "is_listed": plan.trouble != "unlisted",
        "installed_type": now.meter.meter_type,
        "installed_size_in": now.meter.size_in,
        "verdict": truth.verdict,
        "best_type": meters[best].meter_type,
        "best_size_in": meters[best].size_in,
        "best_grade": meters[best].grade,
        "best_net_benefit_usd_per_year": round(float(truth.net_benefit_usd_per_year[best]), 2),
        "peak_10s_gpm": round(truth.need.peak_10s_gpm, 4),
        "sustained_60min_gpm": round(truth.need.sustained_60min_gpm, 4),
        "actual_gal_per_year": round(truth.actual_gal_per_year, 1),
        "installed_gal_per_year": round(float(truth.registered_gal_per_year[at]), 1),
        "best_gal_per_year": round(float(truth.registered_gal_per_year[best]), 1),
    }


def _candidate_rows(account: Account) -> pl.DataFrame:
    truth = account.truth
    meters = truth.meters
    return pl.DataFrame(
        {
            "account_id": [account.plan.account_id] * len(meters),
            "meter_type": [m.meter_type for m in meters],
            "size_in": [m.size_in for m in meters],
            "grade": [m.grade for m in meters],
            "smoc_gpm": [m.smoc_gpm for m in meters],
            "is_feasible": truth.is_feasible,
            "registered_gal_per_year": truth.registered_gal_per_year,
            "net_benefit_usd_per_year": truth.net_benefit_usd_per_year,
        }
    )


def _planted_rows(account: Account, world: World) -> Iterator[tuple[Any, ...]]:
    plan, meter_id = account.plan, account.meters[-1].service.meter_id
    by_trouble = {
        "unlisted": "unknown_meter",
        "silent": "no_reads",
        "unmapped": "unmapped_class",
    }
    if plan.trouble in by_trouble:
        yield plan.account_id, meter_id, by_trouble[plan.trouble], None, None
    for planted in account.planted:
        on = world.calendar.date_of(planted.from_s)
        yield plan.account_id, meter_id, planted.code, on, planted.flow_gpm or None


def _meter_truth(account: Served, part: MeterRows) -> dict[str, Any]:
    """What is left of a meter's reads once repeats and superseded rows are gone."""
    rows = part.rows
    frame = pl.DataFrame(
        {
            "interval": rows.interval,
            "steps": rows.steps,
            "seq": rows.file,
            "quality": rows.quality,
        }
    )
    current = frame.sort("interval", "seq").unique("interval", keep="last", maintain_order=True)
    return {
        "account_id": account.plan.account_id,
        "meter_id": part.service.meter_id,
        "channel": account.plan.channel,
        "rows": len(frame),
        "current_rows": len(current),
        "estimated_rows": current.filter(pl.col("quality") == 1).height,
        "current_gal": round(_registered_gal(account, part, current), 4),
    }


def _registered_gal(account: Served, part: MeterRows, current: pl.DataFrame) -> float:
    if account.plan.channel != "walk_by":
        return float(current["steps"].cast(pl.Float64).to_numpy().sum() * part.service.step_gal)
    change = current["steps"].diff().drop_nulls().to_numpy()
    change = np.where(change < 0, change + part.dial_turn, change)
    return float(change.sum() * part.service.step_gal)
