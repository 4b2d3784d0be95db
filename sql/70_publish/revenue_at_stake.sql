-- grain: one flagged meter of the latest sweep with a revenue gain; key: account_id, meter_id
-- reads: results.latest_recommendation
-- why: how few change-outs bring how much of the revenue
-- units: as the column names say
create or replace view results.revenue_at_stake as
with latest as (
    select *
    from results.latest_recommendation
),

at_stake as (
    select
        account_id,
        meter_id,
        customer_name,
        area,
        service_address,
        customer_class,
        verdict,
        action,
        installed_type,
        installed_size_in,
        recommended_type,
        recommended_size_in,
        revenue_gain_usd_per_year,
        revenue_gain_low_usd_per_year,
        revenue_gain_high_usd_per_year,
        fixed_charge_change_usd_per_year,
        change_cost_usd,
        annual_cost_usd_per_year,
        net_benefit_usd_per_year,
        row_number() over by_revenue as place,
        sum(revenue_gain_usd_per_year) over by_revenue as running_revenue_gain_usd_per_year,
        sum(revenue_gain_usd_per_year) over () as all_revenue_gain
    from latest
    where
        verdict in ('oversized', 'undersized', 'wrong_type')
        and revenue_gain_usd_per_year > 0
    window by_revenue as (
        order by revenue_gain_usd_per_year desc, account_id, meter_id
        rows between unbounded preceding and current row
    )
)

select
    place,
    account_id,
    meter_id,
    customer_name,
    area,
    service_address,
    customer_class,
    verdict,
    action,
    installed_type,
    installed_size_in,
    recommended_type,
    recommended_size_in,
    revenue_gain_usd_per_year,
    revenue_gain_low_usd_per_year,
    revenue_gain_high_usd_per_year,
    fixed_charge_change_usd_per_year,
    change_cost_usd,
    annual_cost_usd_per_year,
    net_benefit_usd_per_year,
    running_revenue_gain_usd_per_year,
    running_revenue_gain_usd_per_year / all_revenue_gain as running_revenue_share
from at_stake
order by place;
