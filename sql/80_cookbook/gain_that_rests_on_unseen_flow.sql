-- question: How much of the gain comes from flow that the installed meters do not register?
-- grain: one action; key: action
-- reads: latest_recommendation
-- why: unregistered flow is inferred from other accounts: the least certain part of a prediction
-- units: unseen_revenue_share [share 0 to 1]; others as the column names say
select
    action,
    count(*) as meters,
    sum(revenue_gain_usd_per_year) as revenue_gain_usd_per_year,
    sum(revenue_gain_usd_per_year * coalesce(unseen_share_of_gain, 0))
        as unseen_revenue_gain_usd_per_year,
    sum(revenue_gain_usd_per_year * coalesce(unseen_share_of_gain, 0))
    / nullif(sum(revenue_gain_usd_per_year), 0) as unseen_revenue_share
from latest_recommendation
where verdict <> 'not_assessed' and revenue_gain_usd_per_year > 0
group by action
order by revenue_gain_usd_per_year desc, action;
