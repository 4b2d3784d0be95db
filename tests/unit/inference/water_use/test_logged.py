from datetime import datetime

import numpy as np
import polars as pl
import pytest

from pipelines.commands.fit_priors import fit_priors
from pipelines.configuration.load_priors import load_priors
from rightsize.errors import ConfigError, ContractError
from rightsize.inference.water_use.logged import uses_of_log


def test_draws_of_a_log_are_its_runs_of_flow_above_the_steady_flow():
    # HAND: 0.5 gpm steady, a draw of 3 gpm for 2 min and one of 20 gpm for 0.5 min
    flow = np.full(600, 0.5)
    flow[100:112] += 3.0
    flow[300:303] += 20.0
    found = uses_of_log(flow, step_min=1 / 6)
    assert found.steady_gpm == pytest.approx(0.5)
    np.testing.assert_allclose(found.flow_gpm, [3.0, 20.0])
    np.testing.assert_allclose(found.duration_min, [2.0, 0.5])


def test_hourly_reads_are_no_log():
    with pytest.raises(ContractError, match="at most 1 min"):
        uses_of_log(np.ones(10), step_min=60)


def _log(sites, rng):
    frames = []
    for site in range(sites):
        flow = np.zeros(8640)
        for start in rng.integers(0, 8600, 120):
            flow[start : start + 6] += 4.0 * np.exp(0.2 * rng.standard_normal())
        for start in rng.integers(0, 8600, 80):
            flow[start : start + 2] += 30.0
        at = pl.datetime_range(
            datetime(2025, 5, 1), datetime(2025, 5, 1, 23, 59, 50), "10s", eager=True
        )  # local wall time, as loggers write it
        frames.append(
            pl.DataFrame(
                {"site": f"S{site}", "customer_class": "school", "at": at, "flow_gpm": flow}
            )
        )
    return pl.concat(frames)


def test_a_priors_file_is_written_that_loads_and_follows_the_logs(tmp_path):
    _log(4, np.random.default_rng(1)).write_csv(tmp_path / "log.csv")
    target = tmp_path / "priors.yaml"
    assert fit_priors([tmp_path / "log.csv"], target) == ("school",)
    prior = load_priors(target).of("school")
    small, large = (fixture for fixture, _ in prior.shares)
    assert small.flow_gpm == pytest.approx(4.5, rel=0.3)
    assert large.flow_gpm == pytest.approx(30, rel=0.3)
    assert load_priors(target).of("office") == load_priors().of("office")


def test_too_few_sites_are_said_so(tmp_path):
    _log(2, np.random.default_rng(1)).write_csv(tmp_path / "log.csv")
    with pytest.raises(ConfigError, match="at least 3 logged sites of one class"):
        fit_priors([tmp_path / "log.csv"], tmp_path / "priors.yaml")


def test_a_log_without_its_columns_is_refused(tmp_path):
    pl.DataFrame({"site": ["a"], "flow": [1.0]}).write_csv(tmp_path / "log.csv")
    with pytest.raises(ConfigError, match="missing: customer_class"):
        fit_priors([tmp_path / "log.csv"], tmp_path / "priors.yaml")
