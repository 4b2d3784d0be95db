-- grain: one meter of the latest sweep with a verdict other than fits; key: account_id, meter_id
-- reads: results.latest_recommendation
-- why: the engineer's work list, by net benefit
-- units: as the column names say
create or replace view results.flagged_account as
with latest as (
    select *
    from results.latest_recommendation
)

select
    account_id,
    meter_id,
    customer_name,
    area,
    service_address,
    customer_class,
    verdict,
    action,
    settled_verdict = verdict and settled_action = action as is_settled,
    installed_type,
    installed_size_in,
    recommended_type,
    recommended_size_in,
    accuracy_gain_pct,
    volume_gain_gal_per_year,
    bill_usd_per_year,
    recommended_bill_usd_per_year,
    revenue_gain_usd_per_year,
    revenue_gain_low_usd_per_year,
    revenue_gain_high_usd_per_year,
    renewal_gain_usd_per_year,
    fixed_charge_change_usd_per_year,
    change_cost_usd,
    annual_cost_usd_per_year,
    net_benefit_usd_per_year,
    net_benefit_low_usd_per_year,
    net_benefit_high_usd_per_year,
    net_present_value_usd,
    payback_years,
    odds_of_benefit,
    odds_of_fit,
    unseen_share_of_gain,
    runner_up,
    reason
from latest
where verdict in ('oversized', 'undersized', 'wrong_type')
order by net_benefit_usd_per_year desc, account_id, meter_id;
