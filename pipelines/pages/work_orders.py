"""Work orders of a campaign: a page a visit, a list a crew-week, the form, the campaign's page.

```
campaign/work_orders/
  campaign.html                      areas by weeks, lists, what was learned
  week-2026-02-02-crew-1.html        one list a crew-week
  2026-02-02-flow_logging-site-A-1.html   one page a visit
  results_form.csv                   one row a visit, to fill in
  logs/2026-02-02-flow_logging-site-A-1.csv   head of a logger's file
```
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipelines.configuration.load_catalogue import load_service_rules
from pipelines.configuration.load_settings import Loaded
from pipelines.pages.evidence import catalog_meter, listed_rows, provenance_of
from pipelines.pages.learned_accounts import learned_so_far
from pipelines.stages.publish.newest import Published, open_published
from pipelines.store.leftovers import drop_of_the_dead
from pipelines.store.private_files import page_salt
from pipelines.store.storage import put_file
from rightsize.campaign.visit import Visit
from rightsize.contracts.demand import PROFILE
from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.contracts.results import FINDING
from rightsize.errors import ConfigError
from rightsize.evidence.field.campaign_page import campaign_page
from rightsize.evidence.field.crew_week import CrewWeek, crew_week_page, crew_weeks
from rightsize.evidence.field.results_form import (
    FORM,
    form_rows,
    is_blank_form,
    is_blank_log,
    log_head,
)
from rightsize.evidence.field.sheet_cell import safe_cell
from rightsize.evidence.field.words import LOGS, TITLE
from rightsize.evidence.field.work_order import WorkOrder, work_order_page
from rightsize.evidence.file_names import page_file
from rightsize.evidence.privacy import Shown, as_shown, code_of
from rightsize.evidence.site import SiteEvidence
from rightsize.meters.service_tests import ServiceRule

_MANY = 5  # accounts named in a message
_FORM_FILE = "results_form.csv"
_OURS = re.compile(
    rf"\d{{4}}-\d\d-\d\d-(?:{'|'.join(TITLE)})-site-.*\.(?:html|csv)$"
    r"|week-\d{4}-\d\d-\d\d-crew-\d+\.html$"
)


@dataclass(frozen=True)
class Papers:
    """What was written."""

    folder: Path
    campaign: Path
    lists: tuple[Path, ...]
    orders: tuple[Path, ...]
    form: Path


def write_work_orders(
    loaded: Loaded,
    visits: Sequence[Visit],
    folder: Path,
    *,
    shown: Shown = "accounts",
) -> Papers:
    """Write every paper of a campaign into a folder; those of an earlier one are removed.

    Parameters
    ----------
    shown
        What the pages say of the customer: the account alone unless asked for more.

    Raises
    ------
    ConfigError
        If nothing is published yet, an account or meter is not in the newest sweep, or the
        folder holds results that a crew filled in. Nothing is written then.
    """
    workspace = loaded.workspace
    salt = page_salt(workspace.root) if shown == "codes" else b""
    with open_published(workspace) as published:
        sites = _sites(loaded, published, visits)
        provenance = provenance_of(published, next(iter(sites.values()), (None, False))[1])
        learned = learned_so_far(
            published.connection, log_cost_usd=loaded.thresholds.logging_cost_usd
        )
    if learned and shown == "codes":
        learned = learned.in_codes(lambda account: code_of(account, salt))
    rule = _rule(loaded.settings.meter_tests.rule)
    orders = [
        WorkOrder(
            _coded(visit, salt) if shown == "codes" else visit,
            as_shown(sites[visit.account_id, visit.meter_id][0], shown, salt),
            rule,
        )
        for visit in visits
    ]
    names = {order.visit: _name(order.visit) for order in orders}
    weeks = crew_weeks(orders)
    lists = {(str(w.week_start_on), w.crew): _list_name(w) for w in weeks}
    pages = {f"{names[order.visit]}.html": work_order_page(order) for order in orders}
    pages |= {_list_name(w): crew_week_page(w, _links(names)) for w in weeks}
    own = [order.visit for order in orders]
    pages["campaign.html"] = campaign_page(
        own, weeks, lists, provenance=provenance, units=loaded.settings.units, learned=learned
    )
    pages[_FORM_FILE] = _form(own)
    heads = {f"logs/{names[v]}.csv": log_head(v) for v in own if v.kind in LOGS}
    files = {**pages, **heads}
    old = _earlier(folder)
    _refuse_filled(old)
    for place in (folder, folder / "logs"):
        drop_of_the_dead(place, ".*")
    for path in old:
        if path.relative_to(folder).as_posix() not in files:
            path.unlink()
    _write(folder, files)
    return Papers(
        folder=folder,
        campaign=folder / "campaign.html",
        lists=tuple(folder / name for name in lists.values()),
        orders=tuple(folder / f"{name}.html" for name in names.values()),
        form=folder / _FORM_FILE,
    )


def _rule(name: str) -> ServiceRule:
    """The rule, with volumes to pass from Handbook 44 where it names none."""
    rules = load_service_rules()
    rule = rules.of(name)
    drafts = rule.drafts_gal or rules.of("handbook_44").drafts_gal
    return rule.model_copy(update={"drafts_gal": drafts})


def _links(names: Mapping[Visit, str]) -> dict[Visit, str]:
    return {visit: f"{name}.html" for visit, name in names.items()}


def _name(visit: Visit) -> str:
    """A file name of a visit's own: an account may have several meters."""
    who = page_file(f"{visit.account_id}.{visit.meter_id}").removesuffix(".html")
    return f"{visit.week_start_on}-{visit.kind}-{who}"


def _list_name(week: CrewWeek) -> str:
    return f"week-{week.week_start_on}-crew-{week.crew}.html"


def _coded(visit: Visit, salt: bytes) -> Visit:
    return replace(
        visit,
        account_id=code_of(visit.account_id, salt),
        meter_id=code_of(visit.meter_id, salt),
    )


def _sites(
    loaded: Loaded, published: Published, visits: Sequence[Visit]
) -> dict[tuple[str, str], tuple[SiteEvidence, bool]]:
    """Evidence of each visited meter, without reads; and whether the meter list changed."""
    accounts = list(dict.fromkeys(v.account_id for v in visits))
    rows = {t.name: published.rows(t, accounts) for t in (RECOMMENDATION, PROFILE, FINDING)}
    wanted = list(dict.fromkeys((v.account_id, v.meter_id) for v in visits))
    absent = [f"{a} ({m})" for a, m in wanted if (a, m) not in rows["recommendation"]]
    if absent:
        more = f" and {len(absent) - _MANY} more" if len(absent) > _MANY else ""
        raise ConfigError(
            f"account (meter) {', '.join(absent[:_MANY])}{more}: not in the newest sweep"
            f" ({published.sweep['sweep_id']}); run `rightsize campaign` again"
        )
    listed, has_changed = listed_rows(loaded, published, accounts)
    provenance = provenance_of(published, has_changed)
    found = {}
    for key in wanted:
        row = rows["recommendation"][key][0]
        found[key] = (
            SiteEvidence(
                recommendation=row,
                provenance=provenance,
                units=published.sweep["units"],
                profile=next(iter(rows["profile"].get(key, ())), None),
                findings=(
                    *rows["finding"].get(key, ()),
                    *rows["finding"].get((key[0], ""), ()),
                ),
                installed=catalog_meter(published, row, "installed"),
                listed=listed.get(key, {}),
                thresholds=published.thresholds,
            ),
            has_changed,
        )
    return found


def _form(visits: Sequence[Visit]) -> str:
    held = io.StringIO(newline="")
    writer = csv.DictWriter(held, fieldnames=list(FORM), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(_safe(row) for row in form_rows(visits))
    return held.getvalue()


def _safe(row: Mapping[str, Any]) -> dict[str, Any]:
    return {k: safe_cell(v) if isinstance(v, str) else v for k, v in row.items()}


def _earlier(folder: Path) -> list[Path]:
    """Papers of an earlier campaign in the folder."""
    return [
        path
        for path in (*folder.glob("*"), *folder.glob("logs/*.csv"))
        if path.is_file() and (path.name == _FORM_FILE or _OURS.match(path.name))
    ]


def _refuse_filled(paths: Iterable[Path]) -> None:
    """What a crew wrote is never written over."""
    for path in paths:
        if path.suffix != ".csv":
            continue
        text = path.read_text(encoding="utf-8-sig", errors="replace")
        is_blank = (
            is_blank_form(list(csv.DictReader(io.StringIO(text, newline=""))))
            if path.name == _FORM_FILE
            else is_blank_log(text)
        )
        if not is_blank:
            raise ConfigError(
                f"{path} has results in it; nothing is written. Move it away, or name another"
                " folder by --to"
            )


def _write(folder: Path, files: Mapping[str, str]) -> None:
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        put_file(path, content.encode("utf-8", "replace"))
