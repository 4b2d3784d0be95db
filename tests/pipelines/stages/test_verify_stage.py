"""The stage verify on planted profiles: gains, low flow, steady flow and findings."""

from __future__ import annotations

import calendar
import datetime as dt
import json
import shutil
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.configuration.fleet import Fleet, load_fleet
from pipelines.configuration.load_settings import load
from pipelines.stages.verify import verify
from pipelines.store.workspace import Workspace
from rightsize.contracts.frames import violations
from rightsize.contracts.realised_gain import LEAK_PERSISTENCE, REALISED_GAIN
from rightsize.demand.bands import band_of

DAY = dt.date
MONTHS = [(2024 + m // 12, m % 12 + 1) for m in range(26)]
CHANGED = DAY(2025, 3, 10)
KEPT = 40
GAIN = 0.08
PLANTED_WITHIN_PCT = 3.0  # months scatter by 2 %: 3 standard errors
LOW_GPM, HIGH_GPM = 1.0, 20.0  # a 2 in turbine's normal range begins between them


@dataclass
class Planted:
    """Profiles of a fleet: volumes, bands and steady flow by meter and month."""

    folder: Path
    meters: list[str] = field(default_factory=list)
    rows: dict[tuple[int, int], list[tuple]] = field(default_factory=dict)
    log: str = ""
    weather: str = ""

    def serve(self, account, meter, kind="turbine", *, since=None, until=None, reads=True,
              daily_gal=None, low_share=0.1, steady_gpm=0.0):  # fmt: skip
        """A meter with reads over its stay; `daily_gal` and `steady_gpm` by month number."""
        put_in, out = since or "2010-01-01", until or ""
        self.meters.append(f"{account},{meter},{kind},2,{put_in},{out},hotel")
        for number, (year, month) in enumerate(MONTHS if reads else []):
            begins = max(DAY(year, month, 1), since or DAY(2000, 1, 1))
            length = calendar.monthrange(year, month)[1]
            ends = min(
                DAY(year, month, 1) + dt.timedelta(days=length), until or DAY(2099, 1, 1)
            )
            days = (ends - begins).days
            if days > 0:
                gal = daily_gal(number) * days
                steady = steady_gpm(number) if callable(steady_gpm) else steady_gpm
                row = (meter, begins, days, gal, gal * low_share, steady)
                self.rows.setdefault((year, month), []).append(row)

    def fleet(self) -> tuple[Workspace, list[Path], Fleet]:
        """The configuration and the profile folders on disk."""
        head = "account_id,meter_id,meter_type,size_in,installed_on,removed_on,customer_class\n"
        (self.folder / "meters.csv").write_text(head + "\n".join(self.meters) + "\n")
        (self.folder / "tariff.yaml").write_text(
            "classes: {default: {tiers: [{usd_per_kgal: 5}]}}\n"
        )
        said = "utility: T\nexports: [{name: a, path: reads.csv}]\n"
        if self.log:
            (self.folder / "log.csv").write_text(self.log)
            said += "change_out_log: {path: log.csv}\n"
        if self.weather:
            (self.folder / "weather.csv").write_text(self.weather)
            said += "weather: weather.csv\n"
        (self.folder / "sweep.yaml").write_text(said)
        loaded = load(self.folder / "sweep.yaml")
        loaded.workspace_root.mkdir(exist_ok=True)
        return loaded.workspace, [*map(self._profile, self.rows)], load_fleet(loaded)

    def _profile(self, at: tuple[int, int]) -> Path:
        year, month = at
        folder = self.folder / f"workspace/profile/month={year}-{month:02d}/bucket=00/f"
        folder.mkdir(parents=True)
        stat, bands, days = [], [], []
        for meter, begins, count, gal, low, steady in self.rows[at]:
            on = [begins + dt.timedelta(days=n) for n in range(count)]
            stat.append((meter, on[0], on[-1], float(count), gal, 0.0, 0.0))
            low_band, high_band = band_of(np.array([LOW_GPM, HIGH_GPM])).tolist()
            bands += [(meter, "interval", 60.0, low_band, 12 * count, low),
                      (meter, "interval", 60.0, high_band, 12 * count, gal - low)]  # fmt: skip
            days += [(meter, day, steady, gal / count / 1440) for day in on]
        write = {
            "month_stat": (stat, ["meter_id", "first_on", "last_on", "days_covered",
                                  "registered_gal", "estimated_gal", "gap_gal"]),
            "month_band": (bands, ["meter_id", "kind", "interval_min", "band", "window_count",
                                   "volume_gal"]),
            "day_flow": (days, ["meter_id", "day_on", "least_gpm", "day_gpm"]),
        }  # fmt: skip
        for name, (rows, columns) in write.items():
            pl.DataFrame(rows, schema=columns, orient="row").write_parquet(
                folder / f"{name}.parquet"
            )
        return folder


def daily(seed, *, more=0.0):
    """1,000 gal a day with one season for all and 2 % of scatter, `more` of it as a gain."""
    noise = np.random.default_rng(seed).normal(1, 0.02, len(MONTHS))
    return lambda n: 1000 * (1 + 0.3 * np.sin(n / 2)) * noise[n] * (1 + more)


@pytest.fixture
def planted(tmp_path):
    made = Planted(tmp_path)
    for n in range(KEPT):
        made.serve(f"K{n}", f"K{n}", daily_gal=daily(n))
    return made


def change(made, account, *, more=GAIN, low=(0.1, 0.15), steady=None, seed=99):
    """A turbine that gave way to an ultrasonic meter."""
    made.serve(account, f"{account}-old", until=CHANGED, daily_gal=daily(seed),
               low_share=low[0], steady_gpm=0.0)  # fmt: skip
    made.serve(account, f"{account}-new", "ultrasonic", since=CHANGED,
               daily_gal=daily(seed, more=more), low_share=low[1],
               steady_gpm=steady or 0.0)  # fmt: skip


def judged(made):
    found = verify(*made.fleet())
    assert violations(found.gains, REALISED_GAIN) == []
    assert violations(found.persistence, LEAK_PERSISTENCE) == []
    return found


def row(found, account):
    (one,) = found.gains.filter(pl.col("account_id") == account).to_dicts()
    return one


def test_a_planted_gain_with_its_low_flow(planted):
    change(planted, "C")
    one = row(judged(planted), "C")
    assert (one["kind"], one["code"], one["record"]) == ("type", None, "meter_list")
    assert one["realised_gain_pct"] == pytest.approx(100 * GAIN, abs=PLANTED_WITHIN_PCT)
    # PLANTED: a tenth of the old meter's volume and 15 % of the new one's were low flow
    assert LOW_GPM < one["low_flow_limit_gpm"] < HIGH_GPM
    ratio = one["low_flow_after_gal_per_year"] / one["low_flow_before_gal_per_year"]
    assert ratio == pytest.approx(1.5 * (1 + GAIN), rel=0.05)


def test_steady_flow_that_shows_and_is_mended_is_measured_and_no_gain_is_told(planted):
    change_month = MONTHS.index((CHANGED.year, CHANGED.month))
    for n in range(5):
        change(planted, f"L{n}", seed=200 + n,
               steady=lambda month: 0.4 if month < change_month + 5 else 0.1)  # fmt: skip
    found = judged(planted)
    one = row(found, "L0")
    assert one["code"] == "leak_repaired"
    assert (one["steady_before_gpm"], one["steady_new_gpm"]) == pytest.approx((0.0, 0.4))
    assert one["steady_left_3_months_share"] == pytest.approx(1.0)
    assert one["steady_left_6_months_share"] == pytest.approx(0.25)
    shares = dict(found.persistence.select("months_after", "left_share").rows())
    assert shares == pytest.approx({3: 1.0, 6: 0.25, 12: None, 36: None})  # 11 months after


@pytest.mark.parametrize(
    ("more", "code"), [(6.4805, "multiplier"), (9.0, "multiplier"), (-0.9, "multiplier")]
)
def test_a_wrong_multiplier_is_a_serious_finding_and_no_gain(planted, more, code):
    change(planted, "C", more=more)
    found = judged(planted)
    assert row(found, "C")["code"] == code
    (finding,) = found.findings.to_dicts()
    assert (finding["code"], finding["severity"]) == ("multiplier_at_change", "serious")
    assert (finding["account_id"], finding["meter_id"]) == ("C", "C-new")
    assert json.loads(finding["evidence"])["rules"] == ["multiplier"]


def told(found):
    return {
        (f["account_id"], f["code"], tuple(json.loads(f["evidence"])["rules"]))
        for f in found.findings.to_dicts()
    }


class TestEveryRefusalIsAFinding:
    def test_a_change_before_the_reads(self, planted):
        planted.serve("C", "old", until=DAY(2020, 5, 1), reads=False)
        planted.serve("C", "new", since=DAY(2020, 5, 1), daily_gal=daily(7))
        assert told(judged(planted)) == {("C", "change_out_dates", ("outside_data",))}

    def test_two_on_one_day(self, planted):
        for n in "12":
            planted.serve("C", f"old{n}", until=CHANGED, daily_gal=daily(7))
            planted.serve("C", f"new{n}", since=CHANGED, daily_gal=daily(8))
        found = judged(planted)
        assert found.findings["meter_id"].to_list() == ["old1", "old2"]
        assert told(found) == {("C", "change_out_dates", ("two_on_one_day",))}

    def test_a_removed_meter_with_later_reads(self, planted):
        change(planted, "C")
        planted.rows[MONTHS[20]].append(("C-old", DAY(2025, 9, 1), 5, 100.0, 0.0, 0.0))
        found = judged(planted)
        assert told(found) == {("C", "change_out_dates", ("removed_meter_reads",))}

    @pytest.mark.parametrize(
        ("on", "rule"),
        [
            (DAY(2024, 3, 10), "too_few_periods_before"),
            (DAY(2025, 12, 20), "too_few_periods_after"),
        ],
    )
    def test_too_few_weeks(self, planted, on, rule):
        planted.serve("C", "old", until=on, daily_gal=daily(7))
        planted.serve("C", "new", since=on, daily_gal=daily(7))
        assert told(judged(planted)) == {("C", "change_out_not_judged", (rule,))}

    def test_a_row_of_the_log_that_the_list_contradicts(self, planted):
        change(planted, "C")
        planted.log = (
            "done_on,account_id,meter_id,what,new_meter_id\n"
            "2025-03-11,C,C-old,like_for_like,C-new\n"
        )
        found = judged(planted)
        assert told(found) == {("C", "change_out_row", ("differs_from_list",))}
        assert found.log_document == {"rows": 1, "used": 0, "left_out": 1}
        assert row(found, "C")["realised_gain_pct"] == pytest.approx(8, abs=3)


def test_a_repair_of_the_log_is_judged_and_its_account_is_no_measure_for_others(planted):
    change(planted, "C")
    planted.log = (
        "done_on,account_id,meter_id,what\n2025-04-02,K0,K0,repair\n2025-04-03,K1,K1,test\n"
    )
    gains = judged(planted).gains.filter(pl.col("record") == "log")
    kinds = dict(gains.select("account_id", "kind").rows())
    assert kinds == {"K0": "repair", "K1": "test"}
    for one in gains.to_dicts():
        assert one["realised_gain_pct"] == pytest.approx(0, abs=PLANTED_WITHIN_PCT)
        assert one["promised_sweep_id"] is None


class TestWeather:
    """Accounts of one class that answer to a dry month each in its own way."""

    SERIES = np.random.default_rng(5).normal(size=len(MONTHS))

    @pytest.fixture
    def answering(self, tmp_path):
        made = Planted(tmp_path)
        strength = np.random.default_rng(6).uniform(0, 0.4, KEPT + 1)

        def use(n, more=0.0):
            plain = daily(n, more=more)
            return lambda month: plain(month) * np.exp(strength[n] * self.SERIES[month])

        for n in range(KEPT):
            made.serve(f"K{n}", f"K{n}", daily_gal=use(n))
        made.serve("C", "C-old", until=CHANGED, daily_gal=use(KEPT))
        made.serve("C", "C-new", "ultrasonic", since=CHANGED, daily_gal=use(KEPT, GAIN))
        return made

    def csv(self, months):
        rows = [f"{y}-{m:02d},{v:.6f}" for (y, m), v in zip(MONTHS, self.SERIES, strict=True)]
        return "month,dry\n" + "\n".join(rows[:months]) + "\n"

    def test_a_series_in_the_configuration_makes_the_gain_surer(self, answering, tmp_path):
        plain = row(judged(answering), "C")
        shutil.rmtree(tmp_path / "workspace")
        answering.weather = self.csv(len(MONTHS))
        told = row(judged(answering), "C")
        assert (plain["is_weather_adjusted"], told["is_weather_adjusted"]) == (False, True)
        width = [
            r["realised_gain_high_pct"] - r["realised_gain_low_pct"] for r in (plain, told)
        ]
        assert width[1] < 0.7 * width[0]
        assert told["realised_gain_pct"] == pytest.approx(100 * GAIN, abs=PLANTED_WITHIN_PCT)

    def test_a_series_that_ends_before_the_reads_is_not_used(self, answering):
        answering.weather = self.csv(len(MONTHS) - 3)
        assert not row(judged(answering), "C")["is_weather_adjusted"]


def test_a_fleet_without_jobs_has_no_rows_and_no_findings(planted):
    found = judged(planted)
    assert found.gains.is_empty()
    assert found.findings.is_empty()
    assert found.persistence["case_count"].to_list() == [0, 0, 0, 0]


def test_steady_flow_of_a_season_that_returns_is_no_repaired_leak(planted):
    """A cooling tower runs day and night in the warm half of each year."""
    warm = lambda month: 0.4 if MONTHS[month][1] in range(4, 10) else 0.05  # noqa: E731
    planted.serve("C", "C-old", until=CHANGED, daily_gal=daily(7), steady_gpm=warm)
    planted.serve("C", "C-new", since=CHANGED, daily_gal=daily(7), steady_gpm=warm)
    one = row(judged(planted), "C")
    assert one["code"] is None
