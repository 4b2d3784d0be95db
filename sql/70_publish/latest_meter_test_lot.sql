-- grain: one lot of the latest sweep; key: meter_type, size_in, grade, age_group
-- reads: results.meter_test_lot, results.sweep
-- why: what a plan and its tests say of each lot now; no filter on the sweep is needed
-- units: as the column names say
create or replace view results.latest_meter_test_lot as
with meter_test_lot as (
    select *
    from results.meter_test_lot
),

latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
)

select
    meter_test_lot.meter_type,
    meter_test_lot.size_in,
    meter_test_lot.grade,
    meter_test_lot.age_group,
    meter_test_lot.lot_count,
    meter_test_lot.code_letter,
    meter_test_lot.sample_count,
    meter_test_lot.accept_count,
    meter_test_lot.accepted_at_aql_share,
    meter_test_lot.good_lot_pct,
    meter_test_lot.bad_lot_pct,
    meter_test_lot.tested_count,
    meter_test_lot.out_count,
    meter_test_lot.decision,
    meter_test_lot.out_pct,
    meter_test_lot.out_low_pct,
    meter_test_lot.out_high_pct,
    meter_test_lot.mean_pct,
    meter_test_lot.mean_low_pct,
    meter_test_lot.mean_high_pct
from meter_test_lot
inner join latest_sweep on meter_test_lot.sweep_id = latest_sweep.sweep_id
order by
    meter_test_lot.meter_type, meter_test_lot.size_in, meter_test_lot.grade,
    meter_test_lot.age_group;
