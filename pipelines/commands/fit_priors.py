"""Fits customer-class priors to a utility's flow logs: files in, a priors file out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import yaml

from pipelines.configuration.load_priors import PriorSettings
from pipelines.configuration.load_settings import read_model
from pipelines.configuration.yaml_file import read_yaml
from pipelines.store.resources import config_path
from rightsize.errors import ConfigError, ContractError
from rightsize.inference.water_use.logged import UseEvents, prior_from_logs, uses_of_log
from rightsize.inference.water_use.priors import ClassPrior

_COLUMNS = ("site", "customer_class", "at", "flow_gpm")


def fit_priors(logs: list[Path], target: Path, *, base: Path | None = None) -> tuple[str, ...]:
    """Write a priors file in which logged classes follow their logs and others the base.

    Parameters
    ----------
    logs : paths
        CSV or Parquet with columns site, customer_class, at (evenly spaced, 1 min or finer)
        and flow_gpm, one or more sites a file.
    target : path
        Priors file to write; name it as `priors:` in the configuration.
    base : path, optional
        Priors to start from; the shipped ones if not given.

    Returns
    -------
    tuple of str
        Classes that were fitted.

    Raises
    ------
    ConfigError
        If a log or the base cannot be used, or no class has enough sites; the text says
        which file and why.
    """
    start = base or config_path("class_priors.yaml")
    content: dict[str, Any] = read_yaml(start)
    read_model(start, PriorSettings)
    sites = _sites(logs)
    fitted = []
    for name in sorted(sites):
        try:
            prior = prior_from_logs(name, sites[name])
        except ContractError:
            continue  # too few sites of this class: it keeps the base
        _put(content, prior)
        fitted.append(name)
    if not fitted:
        counts = ", ".join(f"{n} {len(s)}" for n, s in sorted(sites.items()))
        raise ConfigError(
            f"at least 3 logged sites of one class are needed; logged sites: {counts}"
        )
    target.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
    read_model(target, PriorSettings)
    return tuple(fitted)


def _sites(logs: list[Path]) -> dict[str, list[UseEvents]]:
    found: dict[str, list[UseEvents]] = {}
    for path in logs:
        frame = _frame(path)
        for (site, customer_class), log in frame.group_by(
            ["site", "customer_class"], maintain_order=True
        ):
            ordered = log.sort("at")
            step = ordered["at"].diff().drop_nulls().dt.total_seconds()
            if step.len() == 0 or step.min() != step.max():
                raise ConfigError(
                    f"{path}: site {site}: reads are not evenly spaced; cut the log at its gaps"
                )
            try:
                draws = uses_of_log(
                    ordered["flow_gpm"].to_numpy(), step_min=float(step[0]) / 60
                )
            except ContractError as error:
                raise ConfigError(f"{path}: site {site}: {error}") from None
            found.setdefault(str(customer_class), []).append(draws)
    return found


def _frame(path: Path) -> pl.DataFrame:
    try:
        parquet = path.suffix == ".parquet"
        frame = (
            pl.read_parquet(path, glob=False)
            if parquet
            else pl.read_csv(path, try_parse_dates=True, glob=False)
        )
    except (OSError, pl.exceptions.PolarsError) as error:
        raise ConfigError(f"{path}: cannot be read as a log: {error}") from None
    missing = [c for c in _COLUMNS if c not in frame.columns]
    if missing:
        raise ConfigError(
            f"{path}: a log needs the columns {', '.join(_COLUMNS)}; missing: {missing[0]}"
        )
    return frame.with_columns(pl.col("flow_gpm").cast(pl.Float64))


def _put(content: dict[str, Any], prior: ClassPrior) -> None:
    shares = {}
    for fixture, share in prior.shares:
        name = f"{prior.customer_class}_{fixture.name}"
        content["fixtures"][name] = {
            "flow_gpm": round(fixture.flow_gpm, 3),
            "flow_factor": round(fixture.flow_factor, 2),
            "duration_min": round(fixture.duration_min, 3),
            "duration_factor": round(fixture.duration_factor, 2),
            "one_at_a_time": fixture.one_at_a_time,
            "source": fixture.source,
        }
        shares[name] = round(share, 3)
    content["classes"][prior.customer_class] = {
        "shares": shares,
        "crowding": prior.crowding,
        "steady": {
            "share": round(prior.steady.share, 3),
            "flow_gpm": round(prior.steady.flow_gpm, 3),
            "factor": round(prior.steady.factor, 2),
        },
    }
