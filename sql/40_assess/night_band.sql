-- grain: one meter in service and band of a night's least hour; key: meter_id, band
-- reads: month_band files ($band_files), meter_month
-- why: findings on reads need nights alone of all bands; added up by month, so that sums are the
--      same beside any other statement
-- units: band as in rightsize/demand/bands.py, -1 = no flow; window_count [nights]
create or replace temp table night_band as
with band as (
    select
        meter_id,
        band,
        window_count,
        strptime(regexp_extract(filename, '.*/month=(\d{4}-\d{2})/', 1), '%Y-%m')::date as month
    from read_parquet($band_files, filename = true, hive_partitioning = false)
    where kind = 'night'
)

select
    band.meter_id,
    band.band,
    sum(band.window_count * meter_month.weight order by band.month) as window_count
from band
join meter_month
    on band.meter_id = meter_month.meter_id and band.month = meter_month.month
group by band.meter_id, band.band
order by band.meter_id, band.band;
