-- grain: one meter due for a test, without a date, or drawn; key: account_id, meter_id
-- reads: results.meter_test_due, results.sweep
-- why: a shop plans by what is due now; no filter on the sweep is needed
-- units: as the column names say
create or replace view results.latest_meter_test_due as
with meter_test_due as (
    select *
    from results.meter_test_due
),

latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
)

select
    meter_test_due.account_id,
    meter_test_due.meter_id,
    meter_test_due.area,
    meter_test_due.meter_type,
    meter_test_due.size_in,
    meter_test_due.grade,
    meter_test_due.service_kind,
    meter_test_due.due_by,
    meter_test_due.due_on,
    meter_test_due.installed_on,
    meter_test_due.last_tested_on,
    meter_test_due.interval_years,
    meter_test_due.age_years,
    meter_test_due.throughput_hours,
    meter_test_due.limit_hours,
    meter_test_due.oldest_years,
    meter_test_due.registered_gal_per_year,
    meter_test_due.place,
    meter_test_due.test_cost_usd,
    meter_test_due.test_value_usd,
    meter_test_due.net_value_usd,
    meter_test_due.age_group,
    meter_test_due.draw_order
from meter_test_due
inner join latest_sweep on meter_test_due.sweep_id = latest_sweep.sweep_id
order by
    meter_test_due.net_value_usd desc, meter_test_due.account_id,
    meter_test_due.meter_id;
