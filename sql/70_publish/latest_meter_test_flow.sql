-- grain: one type, size, grade and flow of the latest sweep; key: these
-- reads: results.meter_test_flow, results.sweep
-- why: flows to set up on the bench now; no filter on the sweep is needed
-- units: as the column names say
create or replace view results.latest_meter_test_flow as
with meter_test_flow as (
    select *
    from results.meter_test_flow
),

latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
)

select
    meter_test_flow.meter_type,
    meter_test_flow.size_in,
    meter_test_flow.grade,
    meter_test_flow.point,
    meter_test_flow.flow_gpm,
    meter_test_flow.draft_gal
from meter_test_flow
inner join latest_sweep on meter_test_flow.sweep_id = latest_sweep.sweep_id
order by
    meter_test_flow.meter_type, meter_test_flow.size_in, meter_test_flow.grade,
    meter_test_flow.flow_gpm;
