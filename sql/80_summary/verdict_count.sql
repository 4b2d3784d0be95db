-- grain: one verdict; key: verdict
-- reads: results.latest_recommendation, results.fleet_total
-- why: the first table of a sweep's closing summary
-- units: net_benefit_* [USD per year]; the ends are those of the total, from joint samples
with latest as (
    select *
    from results.latest_recommendation
),

total as (
    select
        name,
        net_benefit_usd_per_year,
        net_benefit_low_usd_per_year,
        net_benefit_high_usd_per_year
    from results.fleet_total
    where scope = 'verdict'
)

select
    latest.verdict,
    count(*) as meters,
    count(*) filter (where action = 'change') as change,
    count(*) filter (where action = 'log_first') as log_first,
    count(*) filter (where action = 'keep') as keep,
    count(*) filter (where action = 'refer') as refer,
    coalesce(max(total.net_benefit_usd_per_year), 0) as net_benefit_usd_per_year,
    coalesce(max(total.net_benefit_low_usd_per_year), 0) as net_benefit_low_usd_per_year,
    coalesce(max(total.net_benefit_high_usd_per_year), 0) as net_benefit_high_usd_per_year
from latest
left join total on latest.verdict = total.name
group by latest.verdict
order by
    list_position(
        ['oversized', 'wrong_type', 'undersized', 'fits', 'not_assessed'], latest.verdict
    );
