-- grain: one tested meter in service in the latest sweep; key: account_id, meter_id
-- reads: results.meter_test_outcome, results.sweep
-- why: what to do with tested meters now; no filter on the sweep is needed
-- units: as the column names say
create or replace view results.latest_meter_test_outcome as
with meter_test_outcome as (
    select *
    from results.meter_test_outcome
),

latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
)

select
    meter_test_outcome.account_id,
    meter_test_outcome.meter_id,
    meter_test_outcome.area,
    meter_test_outcome.meter_type,
    meter_test_outcome.size_in,
    meter_test_outcome.grade,
    meter_test_outcome.service_kind,
    meter_test_outcome.outcome,
    meter_test_outcome.reason,
    meter_test_outcome.failures,
    meter_test_outcome.limits_from,
    meter_test_outcome.test_age_years,
    meter_test_outcome.flow_count,
    meter_test_outcome.tested_weighted,
    meter_test_outcome.new_weighted,
    meter_test_outcome.weighted_by,
    meter_test_outcome.lost_gal_per_year,
    meter_test_outcome.loss_usd_per_year,
    meter_test_outcome.repair_usd,
    meter_test_outcome.renewal_usd,
    meter_test_outcome.keep_usd,
    meter_test_outcome.repair_all_usd,
    meter_test_outcome.replace_usd
from meter_test_outcome
inner join latest_sweep on meter_test_outcome.sweep_id = latest_sweep.sweep_id
order by meter_test_outcome.account_id, meter_test_outcome.meter_id;
