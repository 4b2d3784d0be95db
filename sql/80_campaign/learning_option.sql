-- grain: one kind of learning at a meter in service; key: account_id, meter_id, kind
-- reads: results.latest_recommendation, results.value_of_knowing
-- why: a campaign chooses among everything that may change a decision
-- units: as the column names say
with latest as (
    select *
    from results.latest_recommendation
),

value as (
    select *
    from results.value_of_knowing
)

select
    latest.account_id,
    latest.meter_id,
    coalesce(latest.area, '') as area,
    latest.customer_class,
    latest.customer_class = 'irrigation'
    or latest.service_kind = 'irrigation' as is_irrigation,
    latest.action,
    value.kind,
    value.expected_gain_usd,
    value.cost_usd,
    value.odds_of_other_choice,
    value.decides,
    value.decides_type,
    value.decides_size_in
from latest
inner join value
    on
        latest.sweep_id = value.sweep_id
        and latest.account_id = value.account_id
        and latest.meter_id = value.meter_id
order by latest.account_id, latest.meter_id, value.kind
