-- suspect_multiplier: meters whose daily volume changed, and stayed, by a unit factor.
-- grain: one meter, at its clearest change; key: meter_id.
-- units: before_gal_per_day and after_gal_per_day [gal/d], medians of the months around it.
-- reads: the months' statistics ($stat_files).
-- why: 7.48 (gal and ft3), 10, 100, 1000 and 748 (gal and ccf) are the factors of a wrong unit or
--   multiplier. A season can change as much, but not between two level periods: the months
--   before and after must each be within a factor of 2.5. A multiplier scales every read, so
--   the monthly peak flow changes with the volume, within a factor of 3 (coarse resolution
--   hides single counts). A new leak adds a little to every interval and changes only the volume.
--   Medians are made for those meters alone whose levels may differ enough, 7.48 * exp(-0.14) =
--   6.503 times, by their least and largest months: windows of medians cost most of this statement.
with months as (
    select
        meter_id,
        strptime(regexp_extract(filename, '.*/month=(\d{4}-\d{2})/', 1), '%Y-%m')::date as month_on,
        sum(registered_gal) / sum(days_covered + gap_days) as gal_per_day,
        max(max_interval_gpm) filter (where max_interval_gpm > 0) as peak_gpm
    from read_parquet($stat_files, filename = true, hive_partitioning = false)
    where registered_gal is not null
    group by meter_id, month_on
    having sum(days_covered) >= 5 and sum(registered_gal) > 0
),
wide as (
    select meter_id
    from months
    group by meter_id
    having max(gal_per_day) >= 6.5 * min(gal_per_day)
),
ranged as (
    select
        meter_id,
        count(*) over before as before_count,
        min(gal_per_day) over before as before_least,
        max(gal_per_day) over before as before_most,
        min(gal_per_day) over after as after_least,
        max(gal_per_day) over after as after_most
    from months
    semi join wide using (meter_id)
    window
        before as (
            partition by meter_id order by month_on rows between 6 preceding and 1 preceding
        ),
        after as (
            partition by meter_id order by month_on
            rows between current row and 5 following
        )
),
level as (
    select distinct meter_id
    from ranged
    where before_count >= 2
        and before_most <= 2.51 * before_least
        and after_most <= 2.51 * after_least
        and greatest(after_most / before_least, before_most / after_least) >= 6.5
),
sided as (
    select
        meter_id,
        month_on,
        count(*) over before as before_count,
        median(gal_per_day) over before as before_gal_per_day,
        max(gal_per_day) over before / min(gal_per_day) over before as before_spread,
        median(peak_gpm) over before as before_peak_gpm,
        count(*) over after as after_count,
        median(gal_per_day) over after as after_gal_per_day,
        max(gal_per_day) over after / min(gal_per_day) over after as after_spread,
        median(peak_gpm) over after as after_peak_gpm
    from months
    semi join level using (meter_id)
    window
        before as (
            partition by meter_id order by month_on rows between 6 preceding and 1 preceding
        ),
        after as (
            partition by meter_id order by month_on
            rows between current row and 5 following
        )
),
jumped as (
    select
        meter_id,
        month_on,
        before_gal_per_day,
        after_gal_per_day,
        factor,
        abs(ln(greatest(after_gal_per_day, before_gal_per_day)
            / least(after_gal_per_day, before_gal_per_day)) - ln(factor)) as off,
        abs(ln(after_peak_gpm / before_peak_gpm)
            - ln(after_gal_per_day / before_gal_per_day)) as peak_off
    from sided
    cross join (values (7.48), (10.0), (100.0), (748.0), (1000.0)) as factors (factor)
    where before_count >= 2
        and before_count + after_count >= 4
        and before_spread <= 2.5
        and after_spread <= 2.5
)
select
    meter_id,
    arg_min(month_on, off) as month_on,
    arg_min(factor, off)::double as factor,
    arg_min(before_gal_per_day, off) as before_gal_per_day,
    arg_min(after_gal_per_day, off) as after_gal_per_day
from jumped
where off <= 0.14
    and coalesce(peak_off, 0) <= ln(3)
group by meter_id
order by meter_id
