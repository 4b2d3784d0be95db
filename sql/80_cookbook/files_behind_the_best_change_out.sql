-- question: Which files are behind the most valuable recommendation?
-- grain: one profile month and landed file; key: month, file_hash
-- reads: recommendation_source, latest_recommendation
-- why: every figure can be traced to its export files, by content hash
-- units: none
with best as (
    select
        sweep_id,
        account_id,
        meter_id
    from latest_recommendation
    where action = 'change'
    order by net_benefit_usd_per_year desc, account_id
    limit 1
),

source as (
    select *
    from recommendation_source
)

select
    source.account_id,
    source.month,
    source.path,
    source.landed_at,
    source.file_hash
from source
inner join best
    on
        source.sweep_id = best.sweep_id
        and source.account_id = best.account_id
        and source.meter_id = best.meter_id
order by source.month, source.path;
