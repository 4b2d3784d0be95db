-- unlike_class: meters whose daily volume differs from their class by a unit factor.
-- grain: one meter; key: meter_id.
-- units: gal_per_day and class_gal_per_day [gal/d], medians.
-- reads: the months' statistics ($stat_files), meter_class (meter_id, customer_class, size_in,
--   from the caller).
-- why: a multiplier that was wrong from the first day shows no change. Use varies within a class,
--   so meters of one class and size are compared, at least 30; the factor must be beyond 3.5
--   robust standard deviations of log volume, and at most one meter in 200 may be nearly as far
--   off on that side: a pattern shared by part of a class is not an error.
with months as (
    select
        meter_id,
        filename,
        sum(registered_gal) / sum(days_covered + gap_days) as gal_per_day
    from read_parquet($stat_files, filename = true, hive_partitioning = false)
    where registered_gal is not null
    group by meter_id, filename
    having sum(days_covered) >= 5 and sum(registered_gal) > 0
),
levels as (
    select
        meter_id,
        ln(median(gal_per_day)) as log_gal
    from months
    group by meter_id
    having count(*) >= 2 and max(gal_per_day) / min(gal_per_day) <= 2.5
),
classed as (
    select
        levels.meter_id,
        levels.log_gal,
        meter_class.customer_class,
        meter_class.size_in,
        median(levels.log_gal) over alike as class_log_gal,
        count(*) over alike as class_count
    from levels
    join meter_class on meter_class.meter_id = levels.meter_id
    where meter_class.customer_class is not null
    window alike as (partition by meter_class.customer_class, meter_class.size_in)
),
spread as (
    select
        *,
        log_gal - class_log_gal as off,
        greatest(
            1.4826 * median(abs(log_gal - class_log_gal)) over (
                partition by customer_class, size_in
            ),
            0.25
        ) as deviation
    from classed
    where class_count >= 30
),
factored as (
    select
        spread.*,
        factors.factor,
        count(*) filter (where abs(off) > 0.8 * ln(factors.factor)) over (
            partition by customer_class, size_in, factors.factor, off > 0
        ) as as_far_count
    from spread
    cross join (values (7.48), (10.0), (100.0), (748.0), (1000.0)) as factors (factor)
)
select
    meter_id,
    arg_min(factor, abs(abs(off) - ln(factor)))::double as factor,
    exp(any_value(log_gal)) as gal_per_day,
    exp(any_value(class_log_gal)) as class_gal_per_day,
    any_value(class_count) as class_count,
    any_value(customer_class) as customer_class,
    any_value(size_in) as size_in
from factored
where abs(abs(off) - ln(factor)) <= 0.14
    and abs(off) > 3.5 * deviation
    and as_far_count <= greatest(1, class_count / 200)
group by meter_id
order by meter_id
