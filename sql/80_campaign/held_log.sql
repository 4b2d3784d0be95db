-- grain: one customer class with a log in use in the newest sweep; key: customer_class
-- reads: results.flow_log_result, results.latest_recommendation
-- why: what logs already taught of a class, a further log of it teaches less
-- units: number of meters logged
with latest as (
    select max(sweep_id) as sweep_id
    from results.sweep
),

logged as (
    select distinct
        flow_log_result.account_id,
        flow_log_result.meter_id
    from results.flow_log_result
    inner join latest on flow_log_result.sweep_id = latest.sweep_id
    where flow_log_result.is_used
)

select
    recommendation.customer_class,
    count(*) as log_count
from logged
inner join results.latest_recommendation as recommendation
    on
        logged.account_id = recommendation.account_id
        and logged.meter_id = recommendation.meter_id
group by recommendation.customer_class
order by recommendation.customer_class
