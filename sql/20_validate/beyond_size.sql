-- beyond_size: meters whose reads tell more than a pipe of their size can carry.
-- grain: one meter; key: meter_id.
-- units: size_in [in]; peak_gpm and limit_gpm [gpm]; factor [1].
-- reads: the months' statistics ($stat_files) and meter_class, registered by the caller.
-- why: a flow of 40 ft/s, as the mean of a whole read interval, is twice what the safe maximum
--   operating capacity of a meter comes to (AWWA C700: 20 gpm at 5/8 in and 50 gpm at 1 in are
--   21 and 20 ft/s): our convention. Flow [gpm] is 2.448 times velocity [ft/s] times the square
--   of the bore [in]. The median of the months' peaks leaves a lone damaged read aside.
with months as (
    select
        meter_id,
        regexp_extract(filename, '.*/month=(\d{4}-\d{2})/', 1) as month,
        max(max_interval_gpm) as peak_gpm
    from read_parquet($stat_files, filename = true, hive_partitioning = false)
    where max_interval_gpm > 0
    group by all
),
peaks as (
    select meter_id, median(peak_gpm) as peak_gpm
    from months
    group by meter_id
)
select
    meter_id,
    size_in,
    peak_gpm,
    2.448 * 40 * size_in ** 2 as limit_gpm,
    case
        when peak_gpm / 7.48 <= 2.448 * 40 * size_in ** 2 then 7.48
        when peak_gpm / 10 <= 2.448 * 40 * size_in ** 2 then 10.0
        when peak_gpm / 100 <= 2.448 * 40 * size_in ** 2 then 100.0
        when peak_gpm / 748 <= 2.448 * 40 * size_in ** 2 then 748.0
        else 1000.0
    end::double as factor
from peaks
inner join meter_class using (meter_id)
where peak_gpm > 2.448 * 40 * size_in ** 2
order by meter_id
