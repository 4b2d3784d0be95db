-- grain: one meter in service in the latest sweep; key: account_id, meter_id
-- reads: results.latest_recommendation
-- why: rows of the meter list: action required first, then by net benefit
-- units: as the column names say
select
    account_id,
    meter_id,
    customer_name,
    area,
    customer_class,
    verdict,
    action,
    installed_type,
    installed_size_in,
    installed_grade,
    case when action <> 'keep' then recommended_type end as recommended_type,
    case when action <> 'keep' then recommended_size_in end as recommended_size_in,
    case when action <> 'keep' then recommended_grade end as recommended_grade,
    installed_accuracy_pct,
    accuracy_gain_pct,
    accuracy_gain_low_pct,
    accuracy_gain_high_pct,
    volume_gain_gal_per_year,
    net_benefit_usd_per_year,
    net_benefit_low_usd_per_year,
    net_benefit_high_usd_per_year,
    revenue_gain_usd_per_year,
    revenue_gain_low_usd_per_year,
    revenue_gain_high_usd_per_year,
    change_cost_usd,
    odds_of_benefit,
    odds_of_fit,
    peak_10s_gpm,
    peak_10s_low_gpm,
    peak_10s_high_gpm,
    verdict in ('oversized', 'undersized', 'wrong_type')
    or action = 'log_first'
    -- a stopped meter, or a line that may carry fire flow
    or (action = 'refer' and verdict = 'fits')
        as is_flagged,
    settled_verdict = verdict and settled_action = action as is_settled,
    reason
from results.latest_recommendation
order by
    is_flagged desc,
    action = 'change' desc,
    net_benefit_usd_per_year desc nulls last,
    account_id,
    meter_id;
