-- grain: one meter of the latest sweep at which some kind of learning is worth more than it costs
-- reads: results.value_of_knowing, results.recommendation, results.sweep
-- why: where to send loggers and the test bench, and what each would decide
-- units: as the column names say
create or replace view results.what_to_learn_next as
with latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
),

best as (
    select value_of_knowing.*
    from results.value_of_knowing
    inner join latest_sweep on value_of_knowing.sweep_id = latest_sweep.sweep_id
    where value_of_knowing.is_best and value_of_knowing.net_usd > 0
)

select
    best.account_id,
    best.meter_id,
    recommendation.area,
    recommendation.customer_class,
    recommendation.installed_type,
    recommendation.installed_size_in,
    recommendation.action,
    best.kind,
    best.expected_gain_usd,
    best.cost_usd,
    best.net_usd,
    best.odds_of_other_choice,
    best.decides,
    best.decides_type,
    best.decides_size_in
from best
inner join results.recommendation
    on
        best.sweep_id = recommendation.sweep_id
        and best.account_id = recommendation.account_id
        and best.meter_id = recommendation.meter_id
order by best.net_usd desc, best.account_id, best.meter_id;
