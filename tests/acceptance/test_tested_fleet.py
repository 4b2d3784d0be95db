"""Accuracy tests and stated wear reach the results of a sweep; without them nothing changes.

PLANTED: tests that say a tenth is not registered, and a stated rate of wear.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import load
from pipelines.demo.write import write_demo
from pipelines.sweep.sweep import run_sweep
from rightsize.errors import ConfigError
from rightsize.meters.curve import registration_ratio

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

ACCOUNTS, MONTHS, SEED = 24, 4, 3
DRAWS = 16
SLOW = 0.9  # registered of what the catalogue's curve would
HEAD = "meter_id,meter_type,size_in,age_years,flow_gpm,registered_pct"
LAST_DAY_AGE = 9.0  # about: every meter was installed in April 2016, so that age adds nothing
WEAR = """
wear:
  displacement:
    low_flow_loss_pct_per_year: [0.2, 0.5, 1.0]
    normal_loss_pct_per_year: [0.1, 0.2, 0.3]
    source: planted
"""

Fleet = dict[str, dict[str, float]]


@dataclass
class Utility:
    """A small swept demo whose configuration can be added to."""

    folder: Path
    plain: str

    def sweep(self, more: str = "") -> Fleet:
        """Recommendations by meter, after a sweep with more in its configuration."""
        config = self.folder / "sweep.yaml"
        config.write_text(self.plain + more)
        outcome = run_sweep(load(config), workers=1)
        assert outcome.published is not None, "nothing was published"
        return self.results()

    def results(self) -> Fleet:
        results = self.folder / "workspace" / "published" / "results.duckdb"
        with duckdb.connect(str(results), read_only=True) as connection:
            frame = connection.sql("from results.latest_recommendation").pl()
        kept = frame.filter(pl.col("installed_accuracy_pct").is_not_null())
        return {row["meter_id"]: row for row in kept.to_dicts()}

    def write_tests(self, meter_ids: list[str], ratio: float) -> None:
        """Three flows a meter, as a bench writes them."""
        catalogue = load_catalogue()
        lines = [HEAD]
        for row in pl.read_csv(self.folder / "meters.csv").iter_rows(named=True):
            if row["meter_id"] in meter_ids:
                meter = catalogue.find(row["meter_type"], row["size_in"])
                for flow in (meter.min_test_gpm, meter.normal_min_gpm, meter.smoc_gpm / 2):
                    told = 100 * ratio * registration_ratio(flow, meter)
                    lines.append(
                        f"{row['meter_id']},{meter.meter_type},{meter.size_in},"
                        f"{LAST_DAY_AGE},{flow},{told:.3f}"
                    )
        (self.folder / "tests.csv").write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def utility(tmp_path_factory: pytest.TempPathFactory) -> Utility:
    folder = tmp_path_factory.mktemp("tested") / "demo"
    write_demo(folder, accounts=ACCOUNTS, months=MONTHS, seed=SEED, workers=1)
    limits = folder / "thresholds.yaml"
    limits.write_text(f"{limits.read_text()}draws: {DRAWS}\n")
    meters = pl.read_csv(folder / "meters.csv").with_columns(
        installed_on=pl.coalesce("installed_on", pl.lit("2016-04-01"))
    )
    meters.write_csv(folder / "meters.csv")
    return Utility(folder, (folder / "sweep.yaml").read_text())


@pytest.fixture(scope="module")
def before(utility: Utility) -> Fleet:
    return utility.sweep()


@pytest.fixture(scope="module")
def tested(before: Fleet) -> list[str]:
    """Three displacement meters of the size of which the fleet holds most."""
    kinds = [
        (m["installed_size_in"], i)
        for i, m in before.items()
        if m["installed_type"] == "displacement"
    ]
    sizes = [size for size, _ in kinds]
    common = max(sizes, key=sizes.count)
    chosen = sorted(i for size, i in kinds if size == common)
    assert len(chosen) > 3, "the fleet holds too few meters of a size"
    return chosen[:3]


def alike(fleet: Fleet, tested: list[str]) -> Callable[[str], bool]:
    kind = ("installed_type", "installed_size_in")
    return lambda other: all(fleet[other][k] == fleet[tested[0]][k] for k in kind)


@pytest.fixture(scope="module")
def after(utility: Utility, before: Fleet, tested: list[str]) -> Fleet:
    utility.write_tests(tested, SLOW)
    return utility.sweep("\naccuracy_tests: tests.csv\n")


def test_a_meter_tested_slow_has_a_lower_accuracy(
    before: Fleet, after: Fleet, tested: list[str]
) -> None:
    for i in tested:
        was, now = before[i], after[i]
        expected = was["installed_accuracy_pct"] * SLOW
        assert now["installed_accuracy_pct"] == pytest.approx(expected, abs=1.5)
        assert now["accuracy_gain_pct"] >= was["accuracy_gain_pct"]


def test_untested_meters_of_the_group_lean_on_the_tests(
    before: Fleet, after: Fleet, tested: list[str]
) -> None:
    group = [i for i in before if alike(before, tested)(i) and i not in tested]
    assert group
    for i in group:
        fall = before[i]["installed_accuracy_pct"] - after[i]["installed_accuracy_pct"]
        assert 5 < fall < 11


def test_meters_of_which_no_test_speaks_are_as_before(
    before: Fleet, after: Fleet, tested: list[str]
) -> None:
    others = [i for i in before if not alike(before, tested)(i)]
    assert len(others) > ACCOUNTS / 3
    same = ("verdict", "action", "installed_accuracy_pct", "volume_gain_gal_per_year", "reason")
    for i in others:
        assert {k: after[i][k] for k in same} == {k: before[i][k] for k in same}


def test_what_another_meter_would_register_follows_from_what_really_passed(
    utility: Utility, after: Fleet, before: Fleet, tested: list[str]
) -> None:
    """A tenth more passed than the meter told: so much more a good meter would register."""
    results = utility.folder / "workspace" / "published" / "results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        rows = connection.execute(
            "select sweep_id, registered_gal_per_year, accuracy_pct from results.candidate"
            " where meter_id = ? and meter_type = 'ultrasonic' and size_in = 2"
            " order by sweep_id",
            [tested[0]],
        ).fetchall()
    (_, was, accuracy_was), (_, now, accuracy_now) = rows[0], rows[1]
    assert now / was == pytest.approx(1 / SLOW, rel=0.02)
    # What no meter sees is the same, what was seen is more: a good meter's shortfall falls, by
    # no more than the volume grew.
    shortfall = (100 - accuracy_now) / (100 - accuracy_was)
    assert SLOW * (1 - 0.02) <= shortfall <= 1 + 0.02


def test_changed_tests_are_swept_again_and_say_what_they_rest_on(
    utility: Utility, after: Fleet, tested: list[str]
) -> None:
    utility.write_tests(tested, 1.0)
    again = utility.sweep("\naccuracy_tests: tests.csv\n")
    first, accuracy = tested[0], "installed_accuracy_pct"
    assert again[first][accuracy] > after[first][accuracy] + 5
    results = utility.folder / "workspace" / "published" / "results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        [(about,)] = connection.execute(
            "select content from results.sweep_document where document = 'accuracy_tests'"
            " order by sweep_id desc limit 1"
        ).fetchall()
    assert '"meters": 3' in about


def test_stated_wear_lowers_the_types_it_is_stated_for(
    utility: Utility, before: Fleet, after: Fleet
) -> None:
    worn = utility.sweep(WEAR)
    for i, was in before.items():
        fall = was["installed_accuracy_pct"] - worn[i]["installed_accuracy_pct"]
        if was["installed_type"] == "displacement":
            assert 1.1 < fall < 5.5  # HAND: 9 years at 0.2 to 0.5 points
        else:
            assert abs(fall) < 1e-5  # of single precision: other accounts share the product


def test_without_the_keys_nothing_changes(utility: Utility, before: Fleet) -> None:
    again = utility.sweep()
    own = ("sweep_id", "settled_verdict", "settled_action", "sweeps_held")
    for i, was in before.items():
        now = again[i]
        assert {k: v for k, v in now.items() if k not in own} == {
            k: v for k, v in was.items() if k not in own
        }


def test_a_meter_tested_as_another_keeps_its_curve_and_is_told(
    utility: Utility, before: Fleet, tested: list[str], caplog: pytest.LogCaptureFixture
) -> None:
    first = tested[0]
    (utility.folder / "tests.csv").write_text(
        f"{HEAD}\n{first},turbine,12,{LAST_DAY_AGE},100,80\nnobody,turbine,12,30,100,80\n"
    )
    with caplog.at_level(logging.WARNING):
        now = utility.sweep("\naccuracy_tests: tests.csv\n")
    accuracy = "installed_accuracy_pct"
    assert now[first][accuracy] == before[first][accuracy]
    assert f"{first} was tested as a 12 in turbine and is listed as a" in caplog.text
    assert (
        "tested meters not in the meter list, or not rated there: 1, e.g. nobody" in caplog.text
    )


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("\naccuracy_tests: none.csv\n", r"none\.csv: no such file"),
        (WEAR.replace("[0.2, 0.5, 1.0]", "[0.5, 0.2, 1.0]"), "must increase"),
        (WEAR.replace("displacement:", "venturi:"), "wear.venturi"),
        (WEAR.replace("    source: planted\n", ""), r"wear\.displacement\.source"),
    ],
)
def test_what_cannot_be_used_is_refused(utility: Utility, more: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        utility.sweep(more)
