-- grain: one meter in service, kind of window and flow band; key: meter_id, kind, band
-- reads: month_band files ($band_files), meter_month, meter_stat
-- why: one year's histograms of a meter, each month with its weight; interval windows of the
--      meter's main read interval only
-- units: band as in rightsize/demand/bands.py, -1 = zero registration; volume_gal [gal]
create or replace temp table meter_band as
with band as (
    select
        meter_id,
        kind,
        interval_min,
        band,
        window_count,
        volume_gal,
        strptime(regexp_extract(filename, '.*/month=(\d{4}-\d{2})/', 1), '%Y-%m')::date as month
    from read_parquet($band_files, filename = true, hive_partitioning = false)
)

select
    band.meter_id,
    band.kind,
    band.band,
    sum(band.window_count * meter_month.weight) as window_count,
    sum(band.volume_gal * meter_month.weight) as volume_gal
from band
join meter_month
    on band.meter_id = meter_month.meter_id and band.month = meter_month.month
join meter_stat on band.meter_id = meter_stat.meter_id
where band.kind <> 'interval' or band.interval_min = meter_stat.interval_min
group by band.meter_id, band.kind, band.band
order by band.meter_id, band.kind, band.band;
