-- grain: one type, size and throughput class of meters in service in the latest sweep
-- reads: results.replacement_age, results.sweep
-- why: which meters wear out before their books say so, and how many are overdue
-- units: as the column names say
create or replace view results.replacement_age_by_type as
with latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
),

meter as (
    select
        replacement_age.*,
        case
            when replacement_age.throughput_hours < 50 then 'light'
            when replacement_age.throughput_hours < 250 then 'usual'
            else 'heavy'
        end as throughput
    from results.replacement_age
    inner join latest_sweep on replacement_age.sweep_id = latest_sweep.sweep_id
)

select
    installed_type,
    installed_size_in,
    throughput,
    count(*) as meters,
    median(throughput_hours) as throughput_hours,
    median(wear_usd_per_year) as wear_usd_per_year,
    median(economic_age_years) as economic_age_years,
    median(age_years) as age_years,
    count(*) filter (where years_left < 0) as meters_overdue
from meter
group by all
order by installed_type, installed_size_in, median(throughput_hours);
