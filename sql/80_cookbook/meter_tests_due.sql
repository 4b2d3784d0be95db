-- question: Which meters are due for a test, why, and at which flows?
-- grain: one meter; key: account_id, meter_id
-- reads: meter_test_due, meter_test_flow
-- why: a shop plans its year by what is due, what a test may win back, and the rig it takes
-- units: test_flows_gpm in gpm, from low to high; the rest as the column names say
with latest as (
    select max(sweep_id) as sweep_id
    from meter_test_due
),

flow as (
    select
        sweep_id,
        meter_type,
        size_in,
        grade,
        list(round(flow_gpm, 2) order by flow_gpm) as test_flows_gpm
    from meter_test_flow
    group by all
)

select
    meter_test_due.account_id,
    meter_test_due.meter_id,
    meter_test_due.area,
    meter_test_due.meter_type,
    meter_test_due.size_in,
    meter_test_due.due_by,
    meter_test_due.due_on,
    meter_test_due.place,
    flow.test_flows_gpm,
    meter_test_due.test_cost_usd,
    meter_test_due.test_value_usd
from meter_test_due
inner join latest on meter_test_due.sweep_id = latest.sweep_id
left join flow
    on
        meter_test_due.sweep_id = flow.sweep_id
        and meter_test_due.meter_type = flow.meter_type
        and meter_test_due.size_in = flow.size_in
        and coalesce(meter_test_due.grade, 'standard') = flow.grade
where meter_test_due.due_by != ''
order by meter_test_due.net_value_usd desc, meter_test_due.meter_id
limit 20;
