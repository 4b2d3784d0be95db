-- question: Which tested meters are repaired or replaced, and why?
-- grain: one tested meter; key: account_id, meter_id
-- reads: meter_test_outcome
-- why: a meter out of limits may not stay, and one within them may still cost more than a repair
-- units: as the column names say; tested_weighted and new_weighted are registered over actual
with latest as (
    select max(sweep_id) as sweep_id
    from meter_test_outcome
)

select
    meter_test_outcome.account_id,
    meter_test_outcome.meter_id,
    meter_test_outcome.meter_type,
    meter_test_outcome.size_in,
    meter_test_outcome.outcome,
    meter_test_outcome.tested_weighted,
    meter_test_outcome.new_weighted,
    meter_test_outcome.lost_gal_per_year,
    meter_test_outcome.loss_usd_per_year,
    meter_test_outcome.reason
from meter_test_outcome
inner join latest on meter_test_outcome.sweep_id = latest.sweep_id
where meter_test_outcome.outcome != 'pass'
order by meter_test_outcome.loss_usd_per_year desc, meter_test_outcome.meter_id
limit 20;
