"""What columns say of themselves holds on a swept fleet, row by row, as SQL.

Each case is the stated meaning of a column, put as a query that returns the rows that break it.
Prices, lives and rates come from the documents that were published with the sweep.
"""

from __future__ import annotations

import pytest

from tests.acceptance.demo_run import Swept

ASSESSED = "latest_recommendation where verdict <> 'not_assessed'"
METERS = """
with meter as (
    select
        m ->> 'meter_type' as meter_type, (m ->> 'size_in')::double as size_in,
        coalesce(m ->> 'grade', 'standard') as grade, (m ->> 'price_usd')::double as price_usd,
        (m ->> 'install_usd')::double as install_usd,
        (m ->> 'upkeep_usd_per_year')::double as upkeep_usd,
        (m ->> 'life_years')::double as life_years
    from (
        select unnest(from_json(
            coalesce(content -> '$.meters', content), '["json"]')) as m
        from sweep_document where document = 'catalogue'
    )
),
rate as (
    select (content ->> 'discount_rate_pct')::double / 100 as rate
    from sweep_document where document = 'tariff'
),
refit as (
    select (content ->> 'refit_usd_per_in')::double as usd_per_in
    from sweep_document where document = 'thresholds'
),
new_meter as (
    select r.*, meter.*, old.upkeep_usd as old_upkeep_usd, rate.rate, refit.usd_per_in,
        (1 - (1 + rate.rate) ** -meter.life_years) / rate.rate as annuity,
        recommended_type = installed_type and recommended_size_in = installed_size_in
        and recommended_grade = installed_grade as is_kept
    from latest_recommendation as r
    join meter on r.recommended_type = meter.meter_type
        and abs(r.recommended_size_in - meter.size_in) < 1e-6
        and r.recommended_grade = meter.grade
    join meter as old on r.installed_type = old.meter_type
        and abs(r.installed_size_in - old.size_in) < 1e-6 and r.installed_grade = old.grade
    cross join rate cross join refit
    where verdict <> 'not_assessed'
)
"""

# money is kept in single precision: a cent in 100,000 USD
IDENTITIES = {
    "recommendation: registered over actual volume": f"""
        select * from {ASSESSED} and abs(installed_accuracy_pct
            - 100 * installed_registered_gal_per_year / expected_actual_gal_per_year) > 1e-3""",
    "recommendation: the same for the recommended meter": f"""
        select * from {ASSESSED} and abs(recommended_accuracy_pct
            - 100 * recommended_registered_gal_per_year
                / expected_actual_gal_per_year) > 1e-3""",
    "recommendation: gain points are volume gain over actual": f"""
        select * from {ASSESSED} and abs(accuracy_gain_pct
            - 100 * volume_gain_gal_per_year / expected_actual_gal_per_year) > 1e-3""",
    "recommendation: net benefit": f"""
        select * from {ASSESSED} and abs(net_benefit_usd_per_year
            - (revenue_gain_usd_per_year - renewal_gain_usd_per_year
            + least(fixed_charge_change_usd_per_year, 0) - annual_cost_usd_per_year))
            > 0.01 + 1e-6 * bill_usd_per_year""",
    "recommendation: bill after": f"""
        select * from {ASSESSED} and abs(recommended_bill_usd_per_year - bill_usd_per_year
            - revenue_gain_usd_per_year - fixed_charge_change_usd_per_year) > 0.01""",
    "recommendation: present value": METERS
    + """
        select * from new_meter where abs(net_present_value_usd
            - net_benefit_usd_per_year * annuity) > 0.01 + 1e-5 * abs(net_present_value_usd)""",
    "recommendation: cost of the change": METERS
    + """
        select * from new_meter where abs(change_cost_usd - case when is_kept then 0 else
            price_usd + install_usd
            + usd_per_in * abs(recommended_size_in - installed_size_in) end) > 0.01""",
    "recommendation: payback": METERS
    + """
        select * from new_meter where not is_kept and abs(coalesce(payback_years, -1)
            - coalesce(case when revenue_gain_usd_per_year
                + least(fixed_charge_change_usd_per_year, 0) - upkeep_usd + old_upkeep_usd > 0
            then change_cost_usd / (revenue_gain_usd_per_year
                + least(fixed_charge_change_usd_per_year, 0) - upkeep_usd + old_upkeep_usd) end,
            -1)) > 1e-3 * coalesce(payback_years, 1)""",
    "recommendation: every new meter is found for the above": METERS
    + f"""
        select * from (select count(*) as n from new_meter) as found,
            (select count(*) as n from {ASSESSED}) as wanted where found.n <> wanted.n""",
    "recommendation: keep names the installed meter": """
        select * from latest_recommendation where action = 'keep'
            and verdict <> 'not_assessed' and (recommended_type <> installed_type
            or recommended_size_in <> installed_size_in
            or recommended_grade <> installed_grade)""",
    "recommendation: the runner-up is feasible and neither chosen nor installed": """
        select * from latest_recommendation as r join candidate as c
            using (sweep_id, account_id, meter_id)
        where c.meter_type = runner_up_type and c.size_in = runner_up_size_in
            and c.grade = runner_up_grade and (not feasible or is_installed
            or abs(c.net_benefit_usd_per_year - runner_up_net_benefit_usd_per_year) > 0.01)""",
    "recommendation: odds of benefit are those of the meter, or of the runner-up": """
        select * from latest_recommendation as r join candidate as c
            using (sweep_id, account_id, meter_id)
        where verdict <> 'not_assessed' and not c.is_installed
            and c.meter_type = recommended_type and c.size_in = recommended_size_in
            and c.grade = recommended_grade
            and abs(c.odds_of_benefit - r.odds_of_benefit) > 1e-6""",
    "candidate: accuracy is registered over actual": """
        select * from candidate join latest_recommendation as r
            using (sweep_id, account_id, meter_id)
        where abs(accuracy_pct * r.expected_actual_gal_per_year / 100
            - candidate.registered_gal_per_year) > 1e-5 * r.expected_actual_gal_per_year""",
    "candidate: feasible or the rules it broke": """
        select * from candidate where feasible <>
            (coalesce(rejected_because, '') in ('', 'benefit_too_small', 'gain_too_small',
            'payback_too_long', 'odds_of_benefit', 'less_benefit'))""",
    "candidate: null is the meter to have in service": """
        select * from candidate join latest_recommendation as r
            using (sweep_id, account_id, meter_id)
        where verdict <> 'not_assessed' and candidate.feasible
            and (rejected_because is null) <> case
                when verdict in ('oversized', 'undersized', 'wrong_type')
                then candidate.meter_type = recommended_type
                    and candidate.size_in = recommended_size_in
                    and candidate.grade = recommended_grade
                else is_installed end""",
    "candidate: worth is net benefit as far as it fits, less the cost of being wrong": """
        select * from candidate where not is_installed and abs(worth_usd_per_year
            - net_benefit_usd_per_year * if(net_benefit_usd_per_year > 0, odds_of_fit, 1)
            + (1 - odds_of_fit) * (change_cost_usd + (
                select (content ->> 'wrong_size_cost_usd')::double from sweep_document
                where document = 'thresholds'))
            * net_benefit_usd_per_year / nullif(net_present_value_usd, 0)) > 0.5""",
    "candidate: rank numbers the feasible from 1": """
        select account_id, meter_id from candidate where feasible group by all
        having min(rank) <> 1 or max(rank) <> count(*) or count(distinct rank) <> count(*)""",
    "candidate: rank falls with worth in each part": """
        with part as (
            select candidate.*, worth_usd_per_year as value_usd,
                case when rejected_because is null then 2
                    when is_installed or verdict = 'undersized'
                    or (verdict <> 'fits' and rejected_because = 'less_benefit'
                        and candidate.net_benefit_usd_per_year > 0)
                    then 1 else 0 end as is_first
            from candidate join latest_recommendation as r
                using (sweep_id, account_id, meter_id)
            where feasible and verdict <> 'not_assessed'
        )
        select * from part as a join part as b using (sweep_id, account_id, meter_id)
        where a.rank < b.rank and (a.is_first < b.is_first
            or a.is_first = b.is_first and a.value_usd < b.value_usd - 0.01)""",
    "candidate: the installed meter brings and costs nothing": """
        select * from candidate where is_installed
            and (net_benefit_usd_per_year <> 0 or change_cost_usd <> 0)""",
    "profile: mean flow is the year's volume over the year": """
        select * from profile
        where abs(mean_flow_gpm - registered_gal_per_year / 525960) > 1e-9""",
    "profile: share below start is unseen over actual": """
        select * from profile
        where abs(below_start_share - unseen_gal_per_year / actual_gal_per_year) > 1e-9""",
    "profile: volumes are those of the recommendation": """
        select * from profile join latest_recommendation as r
            using (sweep_id, account_id, meter_id)
        where abs(profile.registered_gal_per_year - r.installed_registered_gal_per_year) > 0.001
            or abs(profile.actual_gal_per_year - r.expected_actual_gal_per_year) > 0.001
            or profile.low_flow_share - r.low_flow_share > 1e-9
            or profile.peak_60min_gpm is distinct from r.peak_60min_gpm""",
    "profile: peaks of longer times are not larger": """
        select * from profile where peak_60min_gpm > peak_interval_gpm * (1 + 1e-9)
            or peak_day_gpm > peak_60min_gpm * (1 + 1e-9)
            or peak_60min_gpm = 0 or peak_day_gpm = 0""",
    "profile: no first day after the last, no more days than a year": """
        select * from profile
        where first_read_on > last_read_on or days_covered > 366 + 1e-6""",
    "flow_band: shares of volume add up": """
        select account_id, meter_id from flow_band group by all
        having abs(sum(actual_volume_share) - 1) > 1e-5
            or abs(sum(registered_volume_share) - 1) > 1e-5 or sum(time_share) > 1 + 1e-5""",
    "month_volume: estimates and gaps are part of the volume": """
        select * from month_volume
        where estimated_gal + gap_gal > registered_gal + 1e-6 and registered_gal >= 0
            and estimated_gal >= 0 and gap_gal >= 0""",
    "account_month: all meters of the account": """
        select account_id, month from account_month join month_volume
            using (account_id, month)
        group by account_id, month, account_month.registered_gal
        having abs(sum(month_volume.registered_gal) - account_month.registered_gal) > 1e-6""",
    "sweep: it ends after it began": "select * from sweep where finished_at <= started_at",
    "sweep: accounts and rows balance": """
        select * from sweep where accounts <> assessed + not_assessed
            or rows_landed <> rows_accepted + rows_rejected + rows_superseded""",
    "revenue_at_stake: running totals": """
        select * from revenue_at_stake as this where abs(running_revenue_gain_usd_per_year
            - (select sum(revenue_gain_usd_per_year) from revenue_at_stake
                where place <= this.place)) > 1e-6 * running_revenue_gain_usd_per_year""",
    "class_summary: sums of the changes": """
        select * from class_summary as c where abs(net_benefit_usd_per_year - coalesce((
            select sum(net_benefit_usd_per_year) from latest_recommendation as r
            where r.customer_class = c.customer_class and action = 'change'), 0)) > 1e-6
            or meters <> meters_assessed + meters_not_assessed""",
    "latest_finding: every finding of the sweep, once": """
        select * from (select count(*) as n from latest_finding) as view,
            (select count(*) as n from finding) as kept where view.n <> kept.n""",
}


@pytest.mark.parametrize("name", IDENTITIES)
def test_no_row_breaks_what_its_column_says(swept: Swept, name: str) -> None:
    assert swept.rows(IDENTITIES[name]) == []


def test_daily_reads_publish_a_day_and_no_hour(swept: Swept) -> None:
    for hours, day in swept.rows(
        "select peak_60min_gpm, peak_day_gpm from profile where interval_min >= 1440"
    ):
        assert hours is None
        assert day > 0
