-- grain: one account and meter whose logs are used in the newest sweep; key: account_id, meter_id
-- reads: results.flow_log_result, results.recommendation, $log_cost_usd
-- why: what logs took off the range of net benefit, from the last sweep without one to the newest
-- units: USD; net benefit of what is changed (0 if nothing is), and width of the 90 % range of the
-- meter named (null where none is: a meter that is kept has no range), in USD per year
with latest as (
    select max(sweep_id) as sweep_id
    from results.flow_log_result
),

used as (
    select
        account_id,
        meter_id,
        min(sweep_id) as first_sweep_id,
        count(distinct log_hash) as log_count
    from results.flow_log_result
    where is_used and account_id is not null and meter_id is not null
    group by account_id, meter_id
),

stated as (
    select
        sweep_id,
        account_id,
        meter_id,
        action,
        case
            when action <> 'keep'
                then net_benefit_high_usd_per_year - net_benefit_low_usd_per_year
        end as range_usd,
        case when action = 'change' then net_benefit_usd_per_year else 0 end as benefit_usd
    from results.recommendation
    where net_benefit_high_usd_per_year is not null and net_benefit_low_usd_per_year is not null
),

before as (
    select
        used.account_id,
        used.meter_id,
        used.log_count,
        max(stated.sweep_id) as sweep_id
    from used
    inner join stated
        on used.account_id = stated.account_id and used.meter_id = stated.meter_id
    where stated.sweep_id < used.first_sweep_id
    group by used.account_id, used.meter_id, used.log_count
)

select
    before.account_id,
    before.meter_id,
    before.log_count * $log_cost_usd as cost_usd,
    was.range_usd as range_before_usd,
    now.range_usd as range_after_usd,
    was.benefit_usd as benefit_before_usd,
    now.benefit_usd as benefit_after_usd,
    was.action as action_before,
    now.action as action_after
from before
cross join latest
inner join stated as was
    on
        before.account_id = was.account_id
        and before.meter_id = was.meter_id
        and before.sweep_id = was.sweep_id
inner join stated as now
    on
        before.account_id = now.account_id
        and before.meter_id = now.meter_id
        and latest.sweep_id = now.sweep_id
order by before.account_id, before.meter_id
