-- grain: one meter with a leak to leave out, month used, kind of window and flow band; key:
--      meter_id, month, kind, band
-- reads: month_band files ($band_files), meter_month, meter_stat, leak_frame (registered by the
--      caller)
-- why: as meter_band, the months apart
-- units: band as in rightsize/demand/bands.py, -1 = zero registration; window_count and
--      volume_gal [gal] by the month's weight; interval_min [min] of the windows
create or replace temp table leak_band as
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
    band.month,
    band.kind,
    band.band,
    band.interval_min,
    leak_frame.leak_gpm,
    leak_frame.leak_from_on,
    band.window_count * meter_month.weight as window_count,
    band.volume_gal * meter_month.weight as volume_gal
from band
join leak_frame on band.meter_id = leak_frame.meter_id
join meter_month
    on band.meter_id = meter_month.meter_id and band.month = meter_month.month
join meter_stat on band.meter_id = meter_stat.meter_id
where band.kind <> 'interval' or band.interval_min = meter_stat.interval_min
order by band.meter_id, band.month, band.kind, band.band;
